"""Pictures and tables of the handbook's page on reads: `python -m pipelines.handbook.reads`.

The text is written by hand; the pictures and the table between markers are generated from the
code and the shipped class priors. A test fails if they differ.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final

import vl_convert

from pipelines.configuration.load_priors import load_priors
from pipelines.handbook.parts import with_parts
from rightsize.evidence.pictures import read_charts
from rightsize.inference.water_use.priors import Priors
from rightsize.units.plain_number import plain_number

HANDBOOK: Final = Path(__file__).resolve().parents[2] / "rightsize" / "handbook"
PAGE: Final = "what_hourly_reads_tell.md"
PICTURES: Final = "reads"


def pictures(priors: Priors) -> dict[str, dict[str, Any]]:
    """Chart of each picture, by file name, as Vega-Lite."""
    charts = {
        "three_ways.svg": read_charts.one_hour_three_ways(),
        "averaging.svg": read_charts.what_averaging_leaves(),
        "inside_an_hour.svg": read_charts.inside_an_hour(),
        "unseen.svg": read_charts.odds_of_unseen_flow(priors),
    }
    return {name: chart.to_dict() for name, chart in charts.items()}


def fingerprint(chart: dict[str, Any]) -> str:
    """Short hash of the chart content, independent of the drawing version."""
    shown = {k: v for k, v in chart.items() if k not in {"$schema", "config"}}
    return hashlib.sha256(json.dumps(shown, sort_keys=True).encode()).hexdigest()[:12]


def fixture_table(priors: Priors) -> str:
    """The fixtures behind the class priors, as Markdown."""
    found = {f.name: f for p in priors.by_class.values() for f, _ in p.shares}
    rows = [
        f"| {f.name.replace('_', ' ')} | {_range(f.flow_gpm, f.flow_factor)} | "
        f"{_range(f.duration_min, f.duration_factor)} | {100 * f.one_at_a_time:.0f} | "
        f"{f.source} |"
        for f in sorted(found.values(), key=lambda f: f.flow_gpm)
    ]
    head = "| use | flow [gpm] | duration [min] | one at a time [%] | source |"
    return "\n".join([head, "|---|---|---|---|---|", *rows])


def with_table(text: str, priors: Priors) -> str:
    """The page with its table regenerated."""
    return with_parts(text, {"priors": fixture_table(priors)})


def write(folder: Path = HANDBOOK) -> None:
    """Regenerate the table and the pictures."""
    priors = load_priors()
    page = folder / PAGE
    page.write_text(with_table(page.read_text(encoding="utf-8"), priors), encoding="utf-8")
    (folder / PICTURES).mkdir(parents=True, exist_ok=True)
    for name, chart in pictures(priors).items():
        svg = vl_convert.vegalite_to_svg(chart)
        target = folder / PICTURES / name
        target.write_text(f"{svg}\n<!-- {fingerprint(chart)} -->\n", encoding="utf-8")


def _range(middle: float, factor: float) -> str:
    low, high = (plain_number(end, 2) for end in (middle / factor, middle * factor))
    return f"{plain_number(middle, 3)} ({low} to {high})"


if __name__ == "__main__":
    write()
