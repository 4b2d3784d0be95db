"""The fleet's list as files that a page loads one by one: columns of short codes.

A page opened from a disk may not read files, but it may run scripts beside it. So each part is
a script of one call with JSON in it: `rightsize.part(0, {...})`. Nothing in it is code: the
JSON is ASCII, whatever the names hold.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, Final

import polars as pl

from rightsize.contracts.columns import VERDICTS
from rightsize.evidence.fleet import FleetEvidence
from rightsize.evidence.quantity import Units
from rightsize.evidence.words import ACTION_WORD, VERDICT_SIGN, VERDICT_WORD
from rightsize.units.column_units import metric_name
from rightsize.wording import probability

ROWS_A_PART: Final = 5000
_CODED: Final = ("area", "class", "verdict", "action", "installed", "recommended")
# More digits than shown: a figure rounded twice would differ from the other pages.
_ROUNDED: Final = {
    "gain": ("accuracy_gain_pct", 6),
    "gain_low": ("accuracy_gain_low_pct", 6),
    "gain_high": ("accuracy_gain_high_pct", 6),
    "volume": ("volume_gain_gal_per_year", 0),
    "net": ("net_benefit_usd_per_year", 6),
    "net_low": ("net_benefit_low_usd_per_year", 6),
    "net_high": ("net_benefit_high_usd_per_year", 6),
    "odds": ("odds_of_benefit", 2),
}


def list_parts(fleet: FleetEvidence) -> Iterator[tuple[str, str]]:
    """File name and content of each script of the list, the index first."""
    frame = shortened(fleet)
    values = {name: frame[name].unique().sort().to_list() for name in _CODED}
    reasons = fleet.meters["reason"]
    flagged = int(fleet.meters["is_flagged"].sum())
    yield (
        "index.js",
        _call(
            "index",
            {
                "rows": frame.height,
                "flagged": flagged,
                "rows_a_part": ROWS_A_PART,
                "parts": -(-frame.height // ROWS_A_PART),
                "flagged_parts": -(-flagged // ROWS_A_PART),
                "values": values,
                "sweep": fleet.sweep["sweep_id"],
                "parted": Units(fleet.units).parted,
                "verdicts": {v: [VERDICT_SIGN[v], VERDICT_WORD[v]] for v in VERDICTS},
                "actions": ACTION_WORD,
            },
        ),
    )
    for number, start in enumerate(range(0, frame.height, ROWS_A_PART)):
        part = frame.slice(start, ROWS_A_PART)
        columns = {name: part[name].to_list() for name in frame.columns if name not in _CODED}
        columns |= {name: _codes(part[name], values[name]) for name in _CODED}
        yield f"part-{number:04d}.js", _call("part", number, columns)
        said = reasons.slice(start, ROWS_A_PART).to_list()
        yield f"reason-{number:04d}.js", _call("reasons", number, said)


def shortened(fleet: FleetEvidence) -> pl.DataFrame:
    """The list with short names, rounded figures and meters in words."""
    meters, units = fleet.meters, Units(fleet.units)
    named = [_labels(meters, who, units).alias(who) for who in ("installed", "recommended")]
    figures = [
        pl.col(_held(column, units)).round(places).alias(name)
        for name, (column, places) in _ROUNDED.items()
    ]
    words = {
        "account": "account_id",
        "meter": "meter_id",
        "name": "customer_name",
        "area": "area",
        "class": "customer_class",
    }
    return meters.select(
        *(pl.col(column).fill_null("").alias(name) for name, column in words.items()),
        "verdict",
        "action",
        *named,
        *figures,
        settled=pl.col("is_settled").cast(pl.Int8),
    ).with_columns(pl.col("volume").cast(pl.Int64), odds=probability(pl.col("odds")))


def _held(column: str, units: Units) -> str:
    return metric_name(column) if units.is_metric else column


def _labels(meters: pl.DataFrame, who: str, units: Units) -> pl.Series:
    """Meters in words; there are few different ones, so each is said once."""
    size = _held(f"{who}_size_in", units)
    keys = meters.select(kind=f"{who}_type", size=size, grade=f"{who}_grade").with_row_index(
        "row"
    )
    said = keys.select("kind", "size", "grade").unique()
    label = [units.held_meter(*row) for row in said.iter_rows()]
    joined = keys.join(
        said.with_columns(label=pl.Series(label, dtype=pl.String)),
        on=["kind", "size", "grade"],
        how="left",
        nulls_equal=True,
    )
    return joined.sort("row")["label"]


def _codes(series: pl.Series, values: list[str]) -> list[int]:
    place = {value: k for k, value in enumerate(values)}
    return [place[v] for v in series.to_list()]


def _call(name: str, *arguments: Any) -> str:
    said = ",".join(json.dumps(a, separators=(",", ":"), allow_nan=False) for a in arguments)
    return f"rightsize.{name}({said});\n"


def pages_index(sweep_id: str, pages: dict[str, str]) -> str:
    """The script with the site pages of this sweep: account to file."""
    return _call("pages", {"sweep": sweep_id, "pages": pages})


def pages_indexed(script: str) -> tuple[str, dict[str, str]] | None:
    """Sweep and pages of a script that `pages_index` wrote; None for anything else."""
    try:
        held = json.loads(script.strip().removeprefix("rightsize.pages(").removesuffix(");"))
        return str(held["sweep"]), dict(held["pages"])
    except (ValueError, KeyError, TypeError):
        return None
