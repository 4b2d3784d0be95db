"""A made-up sweep on disk, as the stages before leave it: blocks, balances, ledger.

Everything is invented and consistent, so that each test can break one thing.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl

from pipelines.stages.reconcile import SweepInputs
from pipelines.store.workspace import Workspace
from rightsize.contracts.frames import as_block, block_schema
from rightsize.contracts.results import BLOCK_TABLES, FLOW_LOG_RESULT
from rightsize.contracts.sweep_record import SweepRecord
from rightsize.contracts.table import Table

UTC = dt.UTC
METERS = [
    ("displacement", 0.625), ("displacement", 1.0), ("displacement", 2.0), ("ultrasonic", 1.5),
    ("ultrasonic", 2.0), ("compound", 3.0), ("turbine", 3.0), ("turbine", 4.0),
]  # fmt: skip
CLASSES = ["office", "retail", "restaurant", "hotel", "laundry", "unknown"]


@dataclass(frozen=True)
class SyntheticSweep:
    """The sweep, where it lies, and what it had to answer for."""

    workspace: Workspace
    record: SweepRecord
    inputs: SweepInputs
    frames: dict[str, pl.DataFrame]


def sweep_record(number: int = 1, **changes: object) -> SweepRecord:
    start = dt.datetime(2026, 1, 1, 2, tzinfo=UTC) + dt.timedelta(days=number)
    record = SweepRecord(
        sweep_id=start.strftime("%Y%m%dT%H%M%SZ"),
        utility="Larkmoor Water",
        started_at=start,
        finished_at=start + dt.timedelta(minutes=3),
        config_hash="c0",
        catalogue_hash="k0",
        meters_hash="m0",
        lake_hash=f"l{number}",
        code_version="0.1.0",
        timezone="America/Denver",
        buckets=4,
        documents={"config": {"utility": "Larkmoor Water"}, "tariff": {"rate": 5.1}},
    )
    return replace(record, **changes)


def make_sweep(
    root: Path,
    number: int = 1,
    *,
    accounts: int = 40,
    candidates: int = 8,
    bands: int = 6,
    blocks: int = 4,
    seed: int = 7,
    changes: dict[str, object] | None = None,
) -> SyntheticSweep:
    """Write a consistent sweep of `accounts` accounts; each tenth is not assessed."""
    workspace = Workspace(root)
    workspace.create()
    record = sweep_record(number, **(changes or {}))
    rng = np.random.default_rng(seed)
    service = pl.DataFrame(
        {
            "account_id": [f"A{k:06d}" for k in range(accounts)],
            "meter_id": [f"M{k:06d}" for k in range(accounts)],
        }
    )
    refused = pl.int_range(pl.len()) % 10 == 9
    keys = service.filter(~refused)
    recommended = recommendations(keys, rng)
    frames = {
        "recommendation": recommended,
        "gain_sample": gain_sample_rows(recommended),
        "year_money": year_money_rows(recommended),
        "bill_impact": bill_impact_rows(recommended),
        "replacement_age": replacement_age_rows(recommended),
        "value_of_knowing": value_of_knowing_rows(recommended),
        "candidate": candidate_rows(keys, candidates, rng),
        "flow_band": band_rows(keys, bands),
        "profile": profile_rows(keys, rng),
        "finding": finding_rows(keys),
        "month_volume": month_rows(service),
        "flow_log_result": pl.DataFrame(schema=block_schema(FLOW_LOG_RESULT)),
        **meter_test_frames(recommended),
        "not_assessed": service.filter(refused).with_columns(
            code=pl.lit("too_few_days"),
            message=pl.lit("41 days covered, 90 are asked for"),
            customer_class=pl.lit("office"),
        ),
    }
    for table in BLOCK_TABLES:
        write_blocks(workspace, record, table, frames[table.name], blocks)
    inputs = SweepInputs(service, ledger_rows(workspace), balances(workspace))
    return SyntheticSweep(workspace, record, inputs, frames)


def write_blocks(
    workspace: Workspace,
    record: SweepRecord,
    table: Table,
    frame: pl.DataFrame,
    blocks: int = 4,
) -> None:
    folder = workspace.assess / record.sweep_id / table.name
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.parquet"):
        old.unlink()
    shaped = as_block(frame, table)
    size = -(-shaped.height // blocks) or 1
    for k, part in enumerate(shaped.iter_slices(size)):
        part.write_parquet(folder / f"{k:04d}.parquet")


def recommendations(keys: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    n = keys.height
    gain = rng.uniform(0, 30, n)
    money = gain * 40
    verdict = np.where(gain > 15, "oversized", np.where(gain > 12, "wrong_type", "fits"))
    change = verdict != "fits"
    action = np.where(gain > 28, "log_first", np.where(change, "change", "keep"))
    around = {"low": 0.8, "": 1.0, "high": 1.2}
    intervals: dict[str, np.ndarray] = {}
    for stem, unit, value in (
        ("accuracy_gain", "pct", gain),
        ("volume_gain", "gal_per_year", gain * 8000),
        ("revenue_gain", "usd_per_year", money),
        ("use_gain", "usd_per_year", money),
        ("net_benefit", "usd_per_year", money - 60),
        ("peak_10s", "gpm", 20 + gain),
        ("peak_1min", "gpm", 15 + gain),
    ):
        for word, factor in around.items():
            name = "_".join(p for p in (stem, word, unit) if p)
            low = np.minimum(value * 0.8, value * 1.2)
            high = np.maximum(value * 0.8, value * 1.2)
            intervals[name] = {"low": low, "": value * factor, "high": high}[word]
    return keys.with_columns(
        pl.Series("customer_class", rng.choice(CLASSES, n)),
        pl.lit("domestic").alias("service_kind"),
        pl.lit("turbine").alias("installed_type"),
        pl.lit(3.0).alias("installed_size_in"),
        pl.lit("standard").alias("installed_grade"),
        pl.Series("verdict", verdict),
        pl.Series("action", action),
        pl.Series("recommended_type", np.where(change, "ultrasonic", "turbine")),
        pl.Series("recommended_size_in", np.where(change, 2.0, 3.0)),
        pl.lit("standard").alias("recommended_grade"),
        pl.Series("installed_registered_gal_per_year", (98 - gain) * 8000),
        pl.lit(800_000.0).alias("expected_actual_gal_per_year"),
        pl.lit(98 * 8000.0).alias("recommended_registered_gal_per_year"),
        pl.lit(1.0).alias("gain_correction_factor"),
        pl.lit(6000.0).alias("bill_usd_per_year"),
        pl.Series("recommended_bill_usd_per_year", 6000 + money - 240 * change),
        pl.lit(0.0).alias("renewal_gain_usd_per_year"),
        pl.lit(0.0).alias("steady_gain_usd_per_year"),
        pl.lit(0.0).alias("steady_gain_low_usd_per_year"),
        pl.lit(0.0).alias("steady_gain_high_usd_per_year"),
        pl.lit(0.0).alias("leak_repair_usd_per_year"),
        pl.lit(0.0).alias("wear_gain_usd_per_year"),
        pl.Series("base_charge_loss_usd_per_year", np.where(change, -240.0, 0.0)),
        pl.Series("net_benefit_without_leak_usd_per_year", money - 60),
        pl.Series("annual_cost_usd_per_year", 60.0 - 240 * change),
        pl.Series("installed_accuracy_pct", 98 - gain),
        pl.lit(98.0).alias("recommended_accuracy_pct"),
        *(pl.Series(name, values) for name, values in intervals.items()),
        pl.Series("net_present_value_usd", (money - 60) * 10),
        pl.Series("payback_years", 1500 / np.maximum(money, 1)),
        pl.Series("possible_cost_usd", np.zeros(len(money))),
        pl.Series("fixed_charge_change_usd_per_year", np.where(change, -240.0, 0.0)),
        pl.Series("change_cost_usd", np.where(change, 1500.0, 0.0)),
        pl.lit(12.0).alias("peak_60min_gpm"),
        pl.lit(0.3).alias("low_flow_share"),
        pl.Series("odds_of_benefit", np.where(change, 0.9, 0.1)),
        pl.lit(0.99).alias("odds_of_fit"),
        pl.lit("1.5 in ultrasonic").alias("runner_up"),
        pl.lit("the turbine misses 30 % of the volume at low flow").alias("reason"),
    )


def gain_sample_rows(recommended: pl.DataFrame, count: int = 20) -> pl.DataFrame:
    """PLANTED: every change moves with the same sample, by a factor from 0.5 to 1.5."""
    factor = pl.DataFrame({"sample": pl.Series(range(1, count + 1), dtype=pl.Int32)})
    factor = factor.with_columns(factor=pl.lit(0.5) + (pl.col("sample") - 1) / (count - 1))
    names = (
        "volume_gain_gal_per_year",
        "revenue_gain_usd_per_year",
        "net_benefit_usd_per_year",
    )
    changes = recommended.filter(pl.col("action") == "change").join(factor, how="cross")
    return changes.select(
        "account_id", "meter_id", "sample", *(pl.col(n) * pl.col("factor") for n in names)
    )


def year_money_rows(recommended: pl.DataFrame, years: int = 2) -> pl.DataFrame:
    """PLANTED: a change pays its cost on the first day and then gains the same every year."""
    year = pl.DataFrame({"year": pl.Series(range(years + 1), dtype=pl.Int64)})
    changes = recommended.filter(pl.col("action") == "change").join(year, how="cross")
    start = pl.col("year") == 0
    gain = pl.when(start).then(0.0).otherwise(pl.col("revenue_gain_usd_per_year"))
    cost = pl.when(start).then(-pl.col("change_cost_usd")).otherwise(0.0)
    none = (
        "steady_gain_usd", "steady_gain_low_usd", "steady_gain_high_usd", "leak_adjustment_usd",
        "avoided_water_usd", "wear_gain_usd", "renewal_gain_usd", "base_charge_usd",
        "upkeep_usd", "renewal_credit_usd",
    )  # fmt: skip
    return changes.select(
        "account_id",
        "meter_id",
        "year",
        use_gain_usd=gain,
        change_cost_usd=cost,
        net_usd=gain + cost,
        present_value_usd=pl.col("net_present_value_usd"),
        **{name: pl.lit(0.0) for name in none},
    )


def bill_impact_rows(recommended: pl.DataFrame) -> pl.DataFrame:
    """PLANTED: bills of 400 in winter and 700 in summer rise by a tenth."""
    changes = recommended.filter(pl.col("action") == "change")
    before = {"winter": 400.0, "summer": 700.0, "year": 500.0}
    return changes.select(
        "account_id",
        "meter_id",
        "customer_class",
        **{f"{s}_bill_before_usd": pl.lit(usd) for s, usd in before.items()},
        **{f"{s}_bill_after_usd": pl.lit(1.1 * usd) for s, usd in before.items()},
        base_charge_before_usd=pl.lit(30.0),
        base_charge_after_usd=pl.lit(10.0),
        bill_change_pct=pl.lit(10.0),
        notice=pl.lit("The water meter of this service will be changed."),
    )


def replacement_age_rows(recommended: pl.DataFrame) -> pl.DataFrame:
    """PLANTED: every meter wears alike; every other one is a year past its economic age."""
    overdue = pl.int_range(pl.len()) % 2 == 1
    return recommended.select(
        "account_id",
        "meter_id",
        "installed_type",
        "installed_size_in",
        "installed_grade",
        registered_gal_per_year="installed_registered_gal_per_year",
        throughput_hours=pl.lit(40.0),
        age_years=pl.when(overdue).then(13.0).otherwise(5.0),
        wear_pct=pl.lit(0.3),
        wear_usd_per_year=pl.lit(12.0),
        renewal_cost_usd=pl.lit(2500.0),
        economic_age_years=pl.lit(12.0),
        life_years=pl.lit(15.0),
        years_left=pl.when(overdue).then(-1.0).otherwise(7.0),
    )


def value_of_knowing_rows(recommended: pl.DataFrame) -> pl.DataFrame:
    """PLANTED: two nights of flow gain 500 at every meter, two weeks 600."""
    kinds = pl.DataFrame(
        {
            "kind": ["night_logging", "flow_logging"],
            "expected_gain_usd": [500.0, 600.0],
            "cost_usd": [110.0, 150.0],
            "is_best": [False, True],
        }
    )
    return (
        recommended.select("account_id", "meter_id")
        .join(kinds, how="cross")
        .with_columns(
            net_usd=pl.col("expected_gain_usd") - pl.col("cost_usd"),
            odds_of_other_choice=pl.lit(0.25),
            decides=pl.lit("smaller_meter"),
            decides_type=pl.lit("displacement"),
            decides_size_in=pl.lit(1.0),
            decides_grade=pl.lit("standard"),
        )
    )


def meter_test_frames(recommended: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """PLANTED: every second meter is due by rule; the first two were tested, one is slow."""
    meters = recommended.select(
        "account_id",
        "meter_id",
        "service_kind",
        meter_type="installed_type",
        size_in="installed_size_in",
        grade="installed_grade",
    )
    kind = meters.select("meter_type", "size_in", "grade").head(1)
    flows = pl.DataFrame({"point": ["minimum", "high normal"], "flow_gpm": [8.0, 350.0]})
    due = meters.gather_every(2).with_columns(
        due_by=pl.lit("rule"), interval_years=pl.lit(3.0), place=pl.lit("field"),
        test_cost_usd=pl.lit(400.0), test_value_usd=pl.lit(500.0), net_value_usd=pl.lit(100.0),
        age_group=pl.lit("not recorded"),
    )  # fmt: skip
    some = meters.head(2)
    count = some.height  # an empty fleet has none
    tested = some.with_columns(
        outcome=pl.Series(["repair", "pass"]).head(count),
        reason=pl.Series(["90 % at 8 gpm, below 95 %", "within limits"]).head(count),
        failures=pl.Series(["90 % at 8 gpm, below 95 %", ""]).head(count),
        limits_from=pl.lit("maine"), test_age_years=pl.lit(9.0), flow_count=pl.lit(2),
        tested_weighted=pl.Series([0.9, 0.985]).head(count), new_weighted=pl.lit(0.985),
        weighted_by=pl.lit("own flows"), keep_usd=pl.Series([4000.0, 0.0]).head(count),
    )  # fmt: skip
    lot = kind.with_columns(
        age_group=pl.lit("not recorded"), lot_count=pl.lit(meters.height),
        code_letter=pl.lit("D"), sample_count=pl.lit(8), accept_count=pl.lit(1),
        accepted_at_aql_share=pl.lit(0.96), good_lot_pct=pl.lit(4.4), bad_lot_pct=pl.lit(41.0),
        tested_count=pl.lit(2), out_count=pl.lit(1), decision=pl.lit("not decided"),
        out_pct=pl.lit(50.0), out_low_pct=pl.lit(2.5), out_high_pct=pl.lit(97.5),
    )  # fmt: skip
    return {
        "meter_test_due": due,
        "meter_test_flow": kind.join(flows, how="cross"),
        "meter_test_outcome": tested,
        "meter_test_lot": lot,
    }


def candidate_rows(keys: pl.DataFrame, count: int, rng: np.random.Generator) -> pl.DataFrame:
    meters = pl.DataFrame(
        {
            "meter_type": [METERS[k % len(METERS)][0] for k in range(count)],
            "size_in": [METERS[k % len(METERS)][1] for k in range(count)],
            "grade": ["standard" if k < len(METERS) else f"grade_{k}" for k in range(count)],
            "rank": pl.Series(range(1, count + 1), dtype=pl.Int64),
        }
    )
    rows = keys.join(meters, how="cross")
    accuracy = rng.uniform(60, 100, rows.height)
    feasible = pl.col("rank") <= max(1, count // 2)
    return rows.with_columns(
        (pl.col("meter_type") == "turbine").alias("is_installed"),
        feasible.alias("feasible"),
        pl.when(feasible)
        .then(None)
        .otherwise(pl.lit("peak_over_smoc"))
        .alias("rejected_because"),
        pl.when(feasible).then(pl.col("rank")).alias("rank"),
        pl.Series("accuracy_pct", accuracy),
        pl.Series("accuracy_low_pct", accuracy - 2),
        pl.Series("accuracy_high_pct", accuracy + 2),
        pl.Series("registered_gal_per_year", accuracy * 10000),
        pl.Series("registered_low_gal_per_year", accuracy * 9000),
        pl.Series("registered_high_gal_per_year", accuracy * 11000),
        pl.Series("net_benefit_usd_per_year", accuracy - 80),
    )


def band_rows(keys: pl.DataFrame, count: int) -> pl.DataFrame:
    edges = 0.01 * 10 ** (np.arange(count + 1) / 10)
    bands = pl.DataFrame(
        {
            "band_from_gpm": edges[:-1],
            "band_to_gpm": edges[1:],
            "time_share": np.full(count, 0.5 / count),
            "actual_volume_share": np.full(count, 1 / count),
            "actual_volume_low_share": np.full(count, 0.5 / count),
            "actual_volume_high_share": np.full(count, min(1.0, 1.5 / count)),
            "registered_volume_share": np.full(count, 1 / count),
        }
    )
    return keys.join(bands, how="cross")


def profile_rows(keys: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    volume = rng.uniform(1e5, 1e6, keys.height)
    return keys.with_columns(
        pl.lit(dt.date(2025, 1, 1)).alias("first_read_on"),
        pl.lit(dt.date(2025, 2, 1)).alias("last_read_on"),
        pl.lit(60.0).alias("interval_min"),
        pl.lit(1.0).alias("resolution_gal"),
        pl.lit(365.0).alias("days_covered"),
        pl.lit(8760).alias("reads_used"),
        pl.lit(0.01).alias("estimated_share"),
        pl.Series("registered_gal_per_year", volume),
        pl.Series("actual_gal_per_year", volume * 1.1),
        pl.Series("actual_low_gal_per_year", volume),
        pl.Series("actual_high_gal_per_year", volume * 1.3),
        pl.lit(0.2).alias("minimum_night_flow_gpm"),
        pl.lit(0.4).alias("zero_share"),
        pl.lit(4.0).alias("draw_volume_gal"),
    )


def month_rows(service: pl.DataFrame) -> pl.DataFrame:
    months = pl.DataFrame({"month": [f"2025-{k:02d}" for k in range(1, 13)]})
    return service.join(months, how="cross").with_columns(
        pl.lit(30.0).alias("days_covered"),
        pl.lit(9000.0).alias("registered_gal"),
        pl.lit(300.0).alias("estimated_gal"),
        pl.lit(0.0).alias("gap_gal"),
    )


def finding_rows(keys: pl.DataFrame) -> pl.DataFrame:
    return keys.head(keys.height // 5).with_columns(
        code=pl.lit("possible_leak"),
        severity=pl.lit("warning"),
        message=pl.lit("the flow never fell below 0.2 gpm in 365 days"),
        evidence=pl.lit('{"minimum_night_flow_gpm": 0.2, "days_covered": 365}'),
    )


def balances(workspace: Workspace) -> tuple[Path, ...]:
    """Two months and two buckets of two files: 100 rows a file and partition, 10 superseded."""
    folders = []
    for month in ("2025-01", "2025-02"):
        for bucket in ("00", "01", "02", "03"):
            folder = workspace.profile / f"month={month}" / f"bucket={bucket}" / "0f0f"
            folder.mkdir(parents=True, exist_ok=True)
            pl.DataFrame(
                {
                    "kind": ["interval", "interval"],
                    "file_hash": ["file1", "file2"],
                    "rows": [100, 100],
                    "current_rows": [90, 100],
                    "superseded_rows": [10, 0],
                    "current_gal": [900.0, 1000.0],
                    "superseded_gal": [100.0, 0.0],
                }
            ).write_parquet(folder / "balance.parquet")
            folders.append(folder)
    return tuple(folders)


def ledger_rows(workspace: Workspace) -> pl.DataFrame:
    """The two files as landed: 800 rows accepted each, 3 of the first refused."""
    pl.DataFrame(
        {
            "file_hash": ["file1"] * 3,
            "source_file": ["exports/reads-1.csv"] * 3,
            "source_line": [12, 13, 99],
            "rule": ["volume_is_a_number", "volume_is_a_number", "time_exists"],
            "value": ["abc", "=1+1", "2025-03-09 02:30"],
        }
    ).write_parquet(workspace.rejected / "file1.parquet")
    return pl.DataFrame(
        {
            "file_hash": ["file1", "file2"],
            "export_name": ["fixed-network", "fixed-network"],
            "path": ["exports/reads-1.csv", "exports/reads-2.csv"],
            "layout": ["interval", "interval"],
            "landed_at": [dt.datetime(2026, 1, 1, 2, tzinfo=UTC)] * 2,
            "rows_landed": [803, 800],
            "rows_accepted": [800, 800],
            "rows_rejected": [3, 0],
            "accepted_gal": [8000.0, 8000.0],
        }
    )
