"""Meter tests: which meters are due, what tests say, and lots of small meters."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipelines.configuration.judged_by import with_meter_index
from pipelines.configuration.load_accuracy_tests import (
    load_accuracy_tests,
    load_test_days,
)
from pipelines.configuration.load_catalogue import load_service_rules
from pipelines.configuration.load_settings import Loaded
from rightsize.meter_tests.due import DAYS_PER_YEAR, due_frame
from rightsize.meter_tests.limits import (
    RULED_TYPES,
    flows_to_test,
    judged_points,
    limit_frame,
)
from rightsize.meter_tests.lots import age_group, lot_frame, sample_frame
from rightsize.meter_tests.outcome import outcome_frame
from rightsize.meter_tests.service import service_frame
from rightsize.meter_tests.weighted import over_own_flows, over_stated_flows, with_factor
from rightsize.meters.catalogue import Catalogue, Meter, label_of
from rightsize.meters.service_tests import ServiceRule
from rightsize.units import UnitSystem

_FIRE = ("fire", "combined")
_DRAFTS_BY = "handbook_44"  # volumes to pass, where the rule says none


@dataclass(frozen=True)
class TestProgram:
    """The program of a year, in US units."""

    __test__ = False  # no test case of ours

    as_of: dt.date
    within_months: float
    rule: ServiceRule
    due: pl.DataFrame  # all meters in service, those with the most to win first
    lots: pl.DataFrame
    sample: pl.DataFrame  # meters to draw from lots that are not decided
    outcomes: pl.DataFrame  # tested meters
    flows: pl.DataFrame  # test flows by type and size in service


@dataclass(frozen=True)
class Listed:
    """The meter list, and the catalog that rates its meters."""

    meters: pl.DataFrame
    catalogue: Catalogue


@dataclass(frozen=True)
class Told:
    """What a sweep says of the meters in service, in US units."""

    accounts: pl.DataFrame  # volume registered, action and recommended meter
    flows: pl.DataFrame  # of tested meters: flow_gpm and volume_share
    last_read_on: dt.date


def program_of(
    loaded: Loaded, fleet: Listed, points: pl.DataFrame, told: Told, *, as_of: dt.date
) -> TestProgram:
    """The test program from the meter list, the accuracy tests and a sweep.

    Parameters
    ----------
    fleet
        The meter list and the catalog.
    points : frame
        Of `latest_tests`.
    told
        Of the sweep.
    as_of
        Start of the program.

    Raises
    ------
    ConfigError
        If a rule or a schedule cannot be used.
    """
    settings, catalogue = loaded.settings.meter_tests, fleet.catalogue
    rules = load_service_rules()
    rule, schedule = rules.of(settings.rule), rules.schedule(settings.schedule)
    limits = limit_frame(catalogue.meters, rule)
    listed = _listed(loaded, fleet, points, told.accounts, as_of)
    service = service_frame(
        listed,
        catalogue.meters,
        as_of=as_of,
        settings=settings,
        schedule=schedule,
        tariff=loaded.tariff,
        thresholds=loaded.thresholds,
    )
    due = due_frame(service, within_months=settings.within_months).with_columns(
        age_group=age_group(settings.lot_by)
    )
    units = loaded.settings.units
    judged = _judged(judged_points(points, limits, units=units), catalogue.meters, told.flows)
    outcomes = outcome_frame(
        _with_meters(judged, due, units),
        discount_rate_pct=loaded.tariff.discount_rate_pct,
        recovers_share=settings.repair_recovers_share,
    )
    small = due.filter(pl.col("size_in") <= settings.lot_max_in)
    lots = lot_frame(small, outcomes, aql_pct=settings.aql_pct, level=settings.inspection_level)
    return TestProgram(
        as_of=as_of,
        within_months=settings.within_months,
        rule=rule,
        due=due.sort(
            ["is_due", "net_value_usd", "meter_id"], descending=[True, True, False],
            nulls_last=True,
        ),
        lots=lots,
        sample=sample_frame(
            small, outcomes, lots, seed=f"{loaded.settings.utility} {as_of:%Y}"
        ),
        outcomes=outcomes.sort(["loss_usd_per_year", "meter_id"], descending=[True, False]),
        flows=_flows(due, catalogue, rule, rules.of(_DRAFTS_BY).drafts_gal),
    )  # fmt: skip


def check_rules(loaded: Loaded, catalogue: Catalogue) -> None:
    """Refuse a rule or schedule that cannot be used, before anything is read.

    Raises
    ------
    ConfigError
        If there is none of the name, or the rule has no limits.
    """
    rules, settings = load_service_rules(), loaded.settings.meter_tests
    rules.schedule(settings.schedule)
    limit_frame(catalogue.meters, rules.of(settings.rule))


def latest_tests(loaded: Loaded, catalogue: Catalogue) -> pl.DataFrame:
    """Points of each meter's latest test, by its age then, and its day if the file has days."""
    named = loaded.settings.accuracy_tests
    schema = {
        "meter_id": pl.String, "meter_index": pl.Int64, "test_age_years": pl.Float64,
        "flow_gpm": pl.Float64, "ratio": pl.Float64, "tested_on": pl.Date,
    }  # fmt: skip
    if named is None:
        return pl.DataFrame(schema=schema)
    path = loaded.file(named)
    tests, days = load_accuracy_tests(path, catalogue), load_test_days(path)
    columns = [
        list(tests.meter_id), tests.meter_index, tests.age_years, tests.flow_gpm, tests.ratio,
        [days.get(meter) for meter in tests.meter_id],
    ]  # fmt: skip
    frame = pl.DataFrame(dict(zip(schema, columns, strict=True)), schema=schema)
    newest = pl.col("test_age_years").max().over("meter_id")
    return frame.filter(pl.col("test_age_years") == newest)


def _listed(
    loaded: Loaded,
    fleet: Listed,
    points: pl.DataFrame,
    accounts: pl.DataFrame,
    start: dt.date,
) -> pl.DataFrame:
    """Meters in service with the day of their last test, and their volume."""
    listed = fleet.meters.filter(pl.col("removed_on").is_null())
    placed = with_meter_index(listed, fleet.catalogue, units=loaded.settings.units)
    tested = points.group_by("meter_id").agg(
        pl.col("test_age_years", "tested_on").first(),
        tested_index=pl.col("meter_index").first(),
    )
    age = pl.duration(days=(pl.col("test_age_years") * DAYS_PER_YEAR).round().cast(pl.Int64))
    is_same = pl.col("tested_index") == pl.col("meter_index")
    return (
        placed.join(tested, on="meter_id", how="left", maintain_order="left")
        .with_columns(
            last_tested_on=pl.when(is_same).then(
                pl.coalesce("tested_on", pl.col("installed_on") + age)
            )
        )
        .with_columns(
            last_tested_on=pl.when(pl.col("last_tested_on").is_not_null()).then(
                pl.min_horizontal("last_tested_on", pl.lit(start))
            )
        )
        .join(accounts, on=["account_id", "meter_id"], how="left", maintain_order="left")
    )


def _judged(
    points: pl.DataFrame, meters: tuple[Meter, ...], flows: pl.DataFrame
) -> pl.DataFrame:
    """One row a tested meter: failures, and registration over its account's flows."""
    told = with_factor(points, meters)
    own = over_own_flows(told, flows, meters)
    stated = over_stated_flows(told).join(own, on="meter_id", how="anti")
    weighted = pl.concat(
        [
            own.with_columns(weighted_by=pl.lit("own flows")),
            stated.with_columns(weighted_by=pl.lit("stated shares")),
        ]
    )
    return (
        told.sort("meter_id", "flow_gpm")
        .group_by("meter_id", maintain_order=True)
        .agg(
            pl.col("meter_index").first(),
            pl.col("test_age_years").first(),
            pl.col("limits_from").first(),
            flow_count=pl.len(),
            is_out=pl.col("is_out").any(),
            failures=pl.col("said").drop_nulls().str.join(", "),
        )
        .join(weighted, on="meter_id", how="left")
    )


def _with_meters(judged: pl.DataFrame, due: pl.DataFrame, units: UnitSystem) -> pl.DataFrame:
    """Tested meters that are in service as what they were tested as."""
    facts = due.select(
        "account_id", "meter_id", "area", "meter_type", "size_in", "grade", "age_group",
        "service_kind", "registered_gal_per_year", "usd_per_gal", "repair_usd", "renewal_usd",
        "life_years", "left_years", "interval_years", "action", "recommended_type",
        "recommended_size_in", "recommended_grade", "meter_index",
    )  # fmt: skip
    both = judged.join(facts, on=["meter_id", "meter_index"], how="inner")
    kinds = both.select("recommended_type", "recommended_size_in", "recommended_grade")
    labels = [
        None if kind is None else label_of(kind, size, grade or "standard", units=units)
        for kind, size, grade in kinds.iter_rows()
    ]
    return both.with_columns(
        is_fire=pl.col("service_kind").is_in(_FIRE),
        sweep_meter=pl.when(pl.col("action") == "change").then(
            pl.Series(labels, dtype=pl.String)
        ),
    )


def _flows(
    due: pl.DataFrame,
    catalogue: Catalogue,
    rule: ServiceRule,
    usual_drafts: Mapping[float, tuple[float, float, float]],
) -> pl.DataFrame:
    """Test flows of each rated type and size in service."""
    rows = []
    for index in np.sort(due["meter_index"].drop_nulls().unique().to_numpy()):
        meter = catalogue.meters[int(index)]
        stated = (rule.drafts_gal or usual_drafts).get(meter.size_in, ())
        drafts = stated if meter.meter_type in RULED_TYPES else ()
        for place, (point, flow) in enumerate(flows_to_test(meter, rule)):
            rows.append(
                {
                    "meter_type": meter.meter_type,
                    "size_in": meter.size_in,
                    "grade": meter.grade,
                    "point": point,
                    "flow_gpm": flow,
                    "draft_gal": drafts[place] if place < len(drafts) else None,
                }
            )
    schema = {
        "meter_type": pl.String, "size_in": pl.Float64, "grade": pl.String, "point": pl.String,
        "flow_gpm": pl.Float64, "draft_gal": pl.Float64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")
