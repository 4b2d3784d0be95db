"""What the reads of an account tell a crew or an analyst, beside any verdict."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.contracts.frames import block_schema
from rightsize.contracts.results import FINDING
from rightsize.demand.sufficiency import ratio
from rightsize.findings import FINDING_CODES, Finding
from rightsize.units import UnitSystem
from rightsize.wording import Wording

ZERO_NIGHTS_SHARE: Final = 0.01
"""Share of nights at rest from which nothing runs all the time (our convention: one night in
a hundred may be a read that was missed)."""
FEWEST_NIGHTS: Final = 30
"""Nights that a possible leak must be seen in (our convention: a filled pool is no leak)."""

MANY_GAPS_SHARE: Final = 0.01
"""Share of the volume that passed in gaps from which it is told (our convention: less changes
no figure by more than the reads' own rounding does, and nearly every meter has some)."""

FINDING_SCHEMA: Final = pl.Schema(block_schema(FINDING))


@dataclass(frozen=True)
class _Rule:
    """When a finding holds, what it says, and the numbers it rests on."""

    code: str
    holds: pl.Expr
    message: pl.Expr
    evidence: tuple[str, ...]


def reading_findings(
    stat: pl.DataFrame,
    *,
    full_year_days: float,
    low_coverage_share: float,
    many_estimates_share: float,
    leak_night_share: float,
    leak_night_share_round_the_clock: float,
    round_the_clock_classes: Sequence[str],
    units: UnitSystem,
) -> pl.DataFrame:
    """Findings on each meter's trailing year.

    Parameters
    ----------
    stat : frame, one row a meter in service
        account_id, meter_id, customer_class, days_covered [d], span_days [d] between first and
        last read, read_count, estimated_count, registered_gal [gal], backward_gal [gal],
        gap_gal [gal], night_low_gpm [gpm], night_zero_count, day_count, is_stopped,
        last_use_at, resolution_gal [gal], interval_min [min]; of a flow that began
        (`continuous_flow`), null where none did: leak_from_on (date), leak_gpm [gpm],
        leak_gal [gal], leak_days [d], leak_before_gpm [gpm], leak_usd [USD]; leak_cut_gpm
        [gpm] where it is left out of the flows that size the meter.
    full_year_days, low_coverage_share, many_estimates_share, leak_night_share : float
        The thresholds of those names; the last is the night's least flow over the mean flow
        from which a leak is suspected.
    leak_night_share_round_the_clock, round_the_clock_classes
        The same for classes whose use runs at night too.
    units
        Of the figures in messages; evidence is in US units.

    Returns
    -------
    frame
        account_id, meter_id, code, severity, message, evidence (JSON).
    """
    rules = _rules(
        full_year_days=full_year_days,
        low_coverage_share=low_coverage_share,
        many_estimates_share=many_estimates_share,
        leak_share=_leak_share(
            leak_night_share, leak_night_share_round_the_clock, round_the_clock_classes
        ),
        said=Wording(units),
    )
    dated = stat.with_columns(
        last_use_on=pl.col("last_use_at").dt.strftime("%Y-%m-%d"),
        leak_on=pl.col("leak_from_on").dt.strftime("%Y-%m-%d"),
    )
    holds = dated.select(**{f"{n}": r.holds.fill_null(False) for n, r in enumerate(rules)})
    hits = zip(holds, rules, strict=True)
    found = [_found(dated.filter(hit), rule) for hit, rule in hits if hit.any()]
    return pl.concat([pl.DataFrame(schema=FINDING_SCHEMA), *found])


def finding_frame(findings: Sequence[Finding]) -> pl.DataFrame:
    """Findings as rows, in the columns of the table finding."""
    rows = [
        (f.account_id, f.meter_id, f.code, f.severity, f.message, json.dumps(f.evidence))
        for f in findings
    ]
    return pl.DataFrame(rows, schema=FINDING_SCHEMA, orient="row")


def unknown_meter_findings(read: pl.DataFrame, *, units: UnitSystem) -> pl.DataFrame:
    """A finding for each meter that has reads and no entry in the meter list.

    Parameters
    ----------
    read : frame
        meter_id, read_count, registered_gal [gal] of such meters.
    """
    return read.select(
        account_id=pl.lit(None, dtype=pl.String),
        meter_id="meter_id",
        code=pl.lit("unknown_meter"),
        severity=pl.lit(FINDING_CODES["unknown_meter"].severity),
        message=pl.format(
            "meter {} has {} reads ({}) but is not in meters.csv: add it or find out why",
            "meter_id",
            Wording(units).figure(pl.col("read_count").cast(pl.Float64)),
            Wording(units).volume(pl.col("registered_gal")),
        ),
        evidence=pl.struct("read_count", "registered_gal").struct.json_encode(),
    ).cast(FINDING_SCHEMA)


def _leak_share(usual: float, round_the_clock: float, classes: Sequence[str]) -> pl.Expr:
    """Night flow over mean flow from which a leak is suspected, by class."""
    runs_at_night = pl.col("customer_class").is_in(list(classes)).fill_null(False)
    return pl.when(runs_at_night).then(round_the_clock).otherwise(usual)


def _rules(
    *,
    full_year_days: float,
    low_coverage_share: float,
    many_estimates_share: float,
    leak_share: pl.Expr,
    said: Wording,
) -> tuple[_Rule, ...]:
    days = pl.col("days_covered").fill_null(0.0)
    coverage = ratio(pl.col("days_covered"), pl.col("span_days"))
    estimated = ratio(pl.col("estimated_count"), pl.col("read_count"))
    mean_gpm = ratio(pl.col("registered_gal"), pl.col("days_covered") * 1440)
    night_low_gpm = pl.col("night_low_gpm").fill_nan(None)
    never_rests = pl.col("night_zero_count") < ZERO_NIGHTS_SHARE * pl.col("day_count")
    step_gpm = ratio(pl.col("resolution_gal"), pl.col("interval_min"))
    return (
        _Rule(
            "no_reads",
            pl.col("read_count").fill_null(0) == 0,
            pl.lit("meter in service, but no accepted read in the trailing 12 months"),
            (),
        ),
        _Rule(
            "part_year",
            (days > 0) & (days < full_year_days),
            pl.format(
                "{} days of reads: a season may be missing", days.round(0).cast(pl.Int64)
            ),
            ("days_covered",),
        ),
        _Rule(
            "low_coverage",
            coverage < low_coverage_share,
            pl.format(
                "reads cover {} % of the time between the first and the last",
                (coverage * 100).round(0).cast(pl.Int64),
            ),
            ("days_covered", "span_days"),
        ),
        _Rule(
            "many_estimates",
            estimated > many_estimates_share,
            pl.format(
                "{} % of reads are head-end estimates",
                (estimated * 100).round(0).cast(pl.Int64),
            ),
            ("estimated_count", "read_count"),
        ),
        _Rule(
            "coarse_resolution",
            step_gpm > mean_gpm,
            pl.format(
                "register resolution is {}, more than an average interval's volume",
                said.volume(pl.col("resolution_gal")),
            ),
            ("resolution_gal", "interval_min"),
        ),
        _Rule(
            "stopped_meter",
            pl.col("is_stopped"),
            pl.format(
                "no registration since {}: stopped meter, closed account or open bypass?",
                pl.col("last_use_at").dt.strftime("%Y-%m-%d"),
            ),
            ("last_use_on",),
        ),
        _Rule(
            "possible_leak",
            pl.col("leak_gpm").is_not_null(),
            pl.format(
                "continuous flow of {} began about {}: {} registered in {} days, {} at the "
                "volumetric rate; before, the least hour of the day was {} or less: possible "
                "leak or new continuous use{}",
                said.flow(pl.col("leak_gpm")),
                pl.col("leak_from_on").dt.strftime("%Y-%m-%d"),
                said.volume(pl.col("leak_gal")),
                pl.col("leak_days"),
                said.money(pl.col("leak_usd")),
                said.flow(pl.col("leak_before_gpm")),
                pl.when(pl.col("leak_cut_gpm").is_not_null())
                .then(pl.lit("; left out of the flows that size the meter"))
                .otherwise(pl.lit("")),
            ),
            ("leak_on", "leak_gpm", "leak_gal", "leak_days", "leak_before_gpm", "leak_usd"),
        ),
        _Rule(
            "possible_leak",
            pl.col("leak_gpm").is_null()
            & never_rests
            & (pl.col("day_count") >= FEWEST_NIGHTS)
            & (night_low_gpm > leak_share * mean_gpm),
            pl.format(
                "night flow never drops below {} ({} % of average flow): possible leak or "
                "continuous use",
                said.flow(night_low_gpm),
                (night_low_gpm / mean_gpm * 100).round(0).cast(pl.Int64),
            ),
            ("night_low_gpm", "day_count"),
        ),
        _Rule(
            "reverse_flow",
            pl.col("backward_gal") < 0,
            pl.format("{} ran backward", said.volume(-pl.col("backward_gal"))),
            ("backward_gal",),
        ),
        _Rule(
            "gap_volume",
            pl.col("gap_gal") > MANY_GAPS_SHARE * pl.col("registered_gal"),
            pl.format(
                "{} passed during gaps: counted in the volume, not in the flow rates",
                said.volume(pl.col("gap_gal")),
            ),
            ("gap_gal",),
        ),
    )


def _found(hit: pl.DataFrame, rule: _Rule) -> pl.DataFrame:
    """Findings of the meters for which a rule holds."""
    evidence = pl.struct(*rule.evidence).struct.json_encode() if rule.evidence else pl.lit("{}")
    return hit.select(
        "account_id",
        "meter_id",
        code=pl.lit(rule.code),
        severity=pl.lit(FINDING_CODES[rule.code].severity),
        message=rule.message,
        evidence=evidence,
    ).cast(FINDING_SCHEMA)
