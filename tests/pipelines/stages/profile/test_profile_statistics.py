"""The monthly sums that SQL makes, against the same sums made plainly with numpy."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from pipelines.stages.assess.profile_blocks import block_of, load_bucket
from pipelines.stages.profile.profile import ProfileSummary, profile
from pipelines.store.lake_partition import LakePartition
from pipelines.store.workspace import Workspace
from rightsize.demand.bands import band_of

ZONE = "America/Denver"
UTC = ZoneInfo("UTC")
SERVICE = pl.DataFrame(
    {
        "meter_id": ["M1", "M2"],
        "account_id": ["A1", "A2"],
        "customer_class": ["office", "hotel"],
        "service_kind": ["domestic", "domestic"],
        "meter_index": [0, 1],
        "resolution_gal": [1.0, 1.0],
    }
)
# Sums of a few thousand terms in another order: 2**-52 a term, far below this.
ROUNDING = 1e-9


def hourly(meter_id: str, start: datetime, gal: np.ndarray, **columns: object) -> pl.DataFrame:
    stamps = pl.Series(
        np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "us")
        + np.arange(len(gal)) * np.timedelta64(3600, "s")
    ).dt.replace_time_zone("UTC")
    frame = pl.DataFrame(
        {
            "meter_id": meter_id,
            "start_at": stamps,
            "interval_min": 60.0,
            "registered_gal": gal.astype(float),
            "quality": "measured",
            "peak_register_gpm": None,
            "landed_seq": 1,
            "source_line": np.arange(len(gal)) + 2,
        },
        schema_overrides={"peak_register_gpm": pl.Float64, "interval_min": pl.Float32},
    )
    return frame.with_columns(**{k: pl.lit(v) for k, v in columns.items()})


def put(workspace: Workspace, month: str, name: str, frame: pl.DataFrame) -> None:
    folder = workspace.lake / LakePartition("interval", month, 0).path
    folder.mkdir(parents=True, exist_ok=True)
    frame.write_parquet(folder / f"{name}.parquet")


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    made = Workspace(tmp_path / "workspace")
    made.create()
    return made


def run(workspace: Workspace) -> ProfileSummary:
    return profile(workspace, timezone=ZONE)


def stat(summary: ProfileSummary, meter_id: str = "M1") -> dict[str, float]:
    frame = pl.concat([pl.read_parquet(f / "month_stat.parquet") for f in summary.folders])
    return frame.filter(pl.col("meter_id") == meter_id).row(0, named=True)


JANUARY = datetime(2025, 1, 1, tzinfo=ZoneInfo(ZONE))
FEBRUARY = datetime(2025, 2, 1, tzinfo=ZoneInfo(ZONE))


def random_gal(hours: int, seed: int = 1) -> np.ndarray:
    generator = np.random.default_rng(seed)
    return np.floor(generator.gamma(0.6, 60.0, size=hours))


def test_within_slot_sums_equal_plain_arithmetic(workspace: Workspace) -> None:
    gal = random_gal(31 * 24)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, gal))
    found = stat(run(workspace))
    flow = gal / 60
    slot = (np.arange(len(gal)) + 2 * 24) % 168  # 1 January 2025 is a Wednesday
    mean = np.array([flow[slot == s].mean() for s in range(168)])[slot]
    dev = flow - mean
    assert found["within_ss"] == pytest.approx((dev**2).sum(), rel=ROUNDING)
    assert found["within_dof"] == len(gal) - 168
    by_slot = np.array([flow[slot == s].mean() for s in range(168)])
    reads = np.bincount(slot, minlength=168)
    step = np.diff(by_slot)
    assert found["slot_ss"] == pytest.approx((reads * by_slot**2).sum(), rel=ROUNDING)
    assert found["slot_step_ss"] == pytest.approx(
        (reads[:-1] * step**2).sum() / 2, rel=ROUNDING
    )
    for lag in (1, 2, 3):
        products = dev[:-lag] * dev[lag:]
        assert found[f"lag{lag}_ss"] == pytest.approx(products.sum(), rel=1e-7)
        assert found[f"lag{lag}_count"] == len(products)


def test_volume_zeros_and_maxima(workspace: Workspace) -> None:
    gal = random_gal(31 * 24)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, gal))
    found = stat(run(workspace))
    assert found["registered_gal"] == gal.sum()
    assert found["days_covered"] == 31
    assert found["zero_count"] == (gal == 0).sum()
    assert found["max_hour_gpm"] == pytest.approx(gal.max() / 60)
    assert found["max_day_gpm"] == pytest.approx(gal.reshape(31, 24).mean(axis=1).max() / 60)


def test_bands_are_those_of_the_domain(workspace: Workspace) -> None:
    gal = random_gal(31 * 24)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, gal))
    (folder,) = run(workspace).folders
    band = pl.read_parquet(folder / "month_band.parquet").filter(pl.col("kind") == "interval")
    for row in band.iter_rows(named=True):
        is_here = band_of(gal / 60) == row["band"]
        assert row["window_count"] == is_here.sum()
        assert row["volume_gal"] == pytest.approx(gal[is_here].sum())
    assert band["window_count"].sum() == len(gal)


def test_a_later_landed_read_counts_and_the_earlier_is_superseded(workspace: Workspace) -> None:
    gal = random_gal(48)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, gal))
    put(workspace, "2025-01", "b", hourly("M1", JANUARY, gal[:5] + 100, landed_seq=2))
    summary = run(workspace)
    assert stat(summary)["registered_gal"] == gal.sum() + 500
    balance = pl.read_parquet(summary.folders[0] / "balance.parquet").sort("file_hash")
    assert balance["superseded_rows"].to_list() == [5, 0]
    assert balance["superseded_gal"].to_list() == [gal[:5].sum(), 0]
    assert balance["rows"].sum() == 53


def test_a_missing_read_never_replaces_one_that_is_there(workspace: Workspace) -> None:
    gal = random_gal(48)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, gal))
    gone = hourly("M1", JANUARY, np.zeros(48), landed_seq=2, quality="missing")
    put(workspace, "2025-01", "b", gone)
    assert stat(run(workspace))["registered_gal"] == gal.sum()


def test_the_same_water_told_at_two_intervals_counts_once(workspace: Workspace) -> None:
    gal = np.full(24, 60.0)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, gal))
    quarters = hourly("M1", JANUARY, np.full(96, 15.0), landed_seq=1).with_columns(
        start_at=pl.lit(JANUARY).dt.convert_time_zone("UTC")
        + pl.duration(minutes=15 * pl.int_range(96)),
        interval_min=pl.lit(15.0, dtype=pl.Float32),
        source_line=pl.int_range(500, 596),
    )
    put(workspace, "2025-01", "b", quarters)
    frame = pl.read_parquet(run(workspace).folders[0] / "month_stat.parquet")
    assert frame["registered_gal"].sum() == 24 * 60


def test_estimates_count_as_volume_and_shape_nothing(workspace: Workspace) -> None:
    gal = random_gal(31 * 24)
    spike = hourly("M1", JANUARY, gal).with_columns(
        registered_gal=pl.when(pl.int_range(pl.len()) == 100)
        .then(1e6)
        .otherwise(pl.col("registered_gal")),
        quality=pl.when(pl.int_range(pl.len()) == 100)
        .then(pl.lit("estimated"))
        .otherwise(pl.lit("measured")),
    )
    put(workspace, "2025-01", "a", spike)
    found = stat(run(workspace))
    assert found["registered_gal"] == gal.sum() - gal[100] + 1e6
    assert found["max_interval_gpm"] < 1e4 / 60
    assert found["estimated_count"] == 1


def test_only_what_changed_is_profiled_again(workspace: Workspace) -> None:
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, random_gal(31 * 24)))
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, random_gal(28 * 24)))
    assert run(workspace).made == 2
    assert run(workspace).made == 0
    put(workspace, "2025-02", "c", hourly("M2", FEBRUARY, random_gal(28 * 24)))
    assert run(workspace).made == 1


def test_months_merge_to_the_sums_of_the_whole(workspace: Workspace) -> None:
    first, second = random_gal(31 * 24, seed=3), random_gal(28 * 24, seed=4)
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, first))
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, second))
    summary = run(workspace)
    bucket = load_bucket(
        workspace, summary.folders, SERVICE, window_months=12, stopped_after_days=21
    )
    block = block_of(bucket, bucket.stat.filter(pl.col("read_count") > 0))
    whole = np.concatenate([first, second])
    assert block.registered_gal[0] == pytest.approx(whole.sum(), rel=ROUNDING)
    assert block.days_covered[0] == 59
    count = block.band_count[0].sum() + block.zero_count[0]
    assert count == pytest.approx(len(whole), rel=ROUNDING)
    assert block.max_hour_gpm[0] == pytest.approx(whole.max() / 60)


def test_a_month_under_way_adds_its_days_and_no_more(workspace: Workspace) -> None:
    """HAND: wet January read whole, 14 days of dry February: 45 days, not two months."""
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, np.full(31 * 24, 600.0)))
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, np.full(14 * 24, 60.0)))
    summary = run(workspace)
    bucket = load_bucket(
        workspace, summary.folders, SERVICE, window_months=12, stopped_after_days=21
    )
    block = block_of(bucket, bucket.stat.filter(pl.col("read_count") > 0))
    mean_gpm = block.registered_gal[0] / block.days_covered[0] / 1440
    assert mean_gpm == pytest.approx((10 * 31 + 1 * 14) / 45)


def test_daily_reads_tell_their_largest_day_and_no_hour(workspace: Workspace) -> None:
    """HAND: 31 days of 1,440 gal but one of 4,320: 3 gpm over that day, no hour is known."""
    gal = np.full(31, 1440.0)
    gal[9] = 4320.0
    daily = hourly("M1", JANUARY, gal).with_columns(
        start_at=pl.col("start_at").first() + pl.duration(days=pl.int_range(31)),
        interval_min=pl.lit(1440.0, dtype=pl.Float32),
    )
    put(workspace, "2025-01", "a", daily)
    bucket = load_bucket(
        workspace, run(workspace).folders, SERVICE, window_months=12, stopped_after_days=21
    )
    row = bucket.stat.filter(pl.col("meter_id") == "M1").row(0, named=True)
    assert row["max_day_gpm"] == pytest.approx(3.0)
    assert row["max_hour_gpm"] is None
    assert (str(row["first_on"]), str(row["last_on"])) == ("2025-01-01", "2025-01-31")


def test_a_read_of_two_days_tells_no_day(workspace: Workspace) -> None:
    slow = hourly("M1", JANUARY, np.full(15, 2880.0)).with_columns(
        start_at=pl.col("start_at").first() + pl.duration(days=2 * pl.int_range(15)),
        interval_min=pl.lit(2880.0, dtype=pl.Float32),
    )
    put(workspace, "2025-01", "a", slow)
    assert stat(run(workspace))["max_day_gpm"] is None


def test_a_meter_that_stopped_is_judged_on_the_months_before(workspace: Workspace) -> None:
    gal = np.concatenate([np.full(10 * 24, 60.0), np.zeros(18 * 24)])
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, np.full(31 * 24, 60.0)))
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, gal))
    put(
        workspace,
        "2025-03",
        "c",
        hourly("M1", datetime(2025, 3, 1, tzinfo=ZoneInfo(ZONE)), np.zeros(240)),
    )
    bucket = load_bucket(
        workspace, run(workspace).folders, SERVICE, window_months=12, stopped_after_days=21
    )
    row = bucket.stat.filter(pl.col("meter_id") == "M1").row(0, named=True)
    assert row["is_stopped"] is True
    assert row["days_covered"] == 31
    assert row["zero_count"] == 0


@pytest.mark.parametrize(("idle_hours", "is_stopped"), [(21 * 24, False), (21 * 24 + 1, True)])
def test_a_meter_is_stopped_after_more_than_three_weeks_at_rest(
    workspace: Workspace, idle_hours: int, is_stopped: bool
) -> None:
    """Limit: stopped_after_days, 21 (our convention)."""
    gal = np.concatenate([np.full(24, 60.0), np.zeros(idle_hours)])
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, np.full(31 * 24, 60.0)))
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, gal))
    bucket = load_bucket(
        workspace, run(workspace).folders, SERVICE, window_months=12, stopped_after_days=21
    )
    assert bucket.stat.filter(pl.col("meter_id") == "M1")["is_stopped"][0] is is_stopped


def test_a_seasonal_meter_at_rest_is_not_stopped(workspace: Workspace) -> None:
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, np.zeros(31 * 24)))
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, np.full(28 * 24, 60.0)))
    march = datetime(2025, 3, 1, tzinfo=ZoneInfo(ZONE))
    put(workspace, "2025-03", "c", hourly("M1", march, np.zeros(30 * 24)))
    bucket = load_bucket(
        workspace, run(workspace).folders, SERVICE, window_months=12, stopped_after_days=21
    )
    assert bucket.stat.filter(pl.col("meter_id") == "M1")["is_stopped"][0] is False


def test_profiles_are_the_same_to_the_byte_for_any_number_of_workers(tmp_path: Path) -> None:
    made = []
    for name, workers in (("one", 1), ("four", 4)):
        workspace = Workspace(tmp_path / name)
        workspace.create()
        put(workspace, "2025-01", "a", hourly("M1", JANUARY, random_gal(31 * 24)))
        put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, random_gal(28 * 24)))
        summary = profile(workspace, timezone=ZONE, workers=workers)
        made.append([(f / "month_stat.parquet").read_bytes() for f in summary.folders])
    assert made[0] == made[1]
