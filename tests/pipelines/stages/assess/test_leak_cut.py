"""A leak that began in the year is left out of what sizes a meter; use day and night is not.

PLANTED: a year of hourly reads of an account, to the gallon, of its twin with a leak from a day
on, of a plant with a load that runs day and night, and of one that began to.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import polars as pl
import polars.testing
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from pipelines.stages.assess.bucket_task import BucketTask, load_reads
from pipelines.stages.assess.gate import gated, gated_without_leaks
from pipelines.stages.assess.leak_cut import LeakRule, without_leaks
from pipelines.stages.assess.night_flow import with_night_flow
from pipelines.stages.assess.profile_blocks import BucketProfile, block_of, load_bucket
from pipelines.stages.profile.profile import profile
from pipelines.store.lake_partition import LakePartition
from pipelines.store.workspace import Workspace
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.infer import infer
from rightsize.recommend.choose import decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import tariff

ZONE = "America/Denver"
FIRST = dt.datetime(2025, 1, 1, 7, tzinfo=dt.UTC)  # midnight in Denver
DAYS = 365
LEAK_GPM = 0.3
LEAK_FROM_DAY = 200
OFFICE_PEAK_GPM = 8.0  # that the register reports, beside what runs all the time
METERS = ("OFFICE", "LEAKY", "PLANT", "GROWN", "VACANT")
CLASSES = ("hotel", "hotel", "process", "process", "hotel")
CATALOGUE = load_catalogue()
DEAR = tariff(
    classes={"default": {"tiers": [{"usd_per_kgal": 40.0}]}},
    fixed_charge_usd_per_month={m.size_in: 14 for m in CATALOGUE.meters},
)
INSTALLED = next(
    k
    for k, m in enumerate(CATALOGUE.meters)
    if m.meter_type == "displacement" and m.size_in == 2
)


def flows() -> dict[str, np.ndarray]:
    rng = np.random.default_rng(4)
    hour = np.arange(24 * DAYS) % 24
    busy = (hour >= 6) & (hour < 22) & (rng.random(hour.size) < 0.9)
    office = np.where(busy, rng.uniform(0.0, 0.5, hour.size), 0.0)
    after = np.arange(hour.size) >= 24 * LEAK_FROM_DAY
    return {
        "OFFICE": office,
        "LEAKY": office + LEAK_GPM * after,
        "PLANT": office + 1.5,
        "GROWN": office + LEAK_GPM * after,
        "VACANT": LEAK_GPM * after,
    }


def reads(meter_id: str, flow: np.ndarray) -> pl.DataFrame:
    dial = np.floor(np.concatenate([[0.0], np.cumsum(flow * 60)]))
    at = pl.datetime_range(FIRST, FIRST + dt.timedelta(hours=len(flow) - 1), "1h", eager=True)
    return pl.DataFrame(
        {
            "meter_id": meter_id,
            "start_at": at,
            "interval_min": 60.0,
            "registered_gal": np.diff(dial),
            "quality": "measured",
            "peak_register_gpm": OFFICE_PEAK_GPM + flow - flows()["OFFICE"],
            "landed_seq": 1,
            "source_line": np.arange(len(flow)) + 2,
        },
        schema_overrides={"peak_register_gpm": pl.Float64, "interval_min": pl.Float32},
    )


SERVICE = pl.DataFrame(
    {
        "meter_id": METERS,
        "account_id": [f"A-{m}" for m in METERS],
        "customer_class": CLASSES,
        "service_kind": ["domestic"] * len(METERS),
        "meter_index": [INSTALLED] * len(METERS),
        "resolution_gal": [1.0] * len(METERS),
    }
)


def loaded(workspace: Workspace, rule: LeakRule) -> BucketProfile:
    return without_leaks(as_read(workspace, rule))


def as_read(workspace: Workspace, rule: LeakRule) -> BucketProfile:
    return load_bucket(
        workspace,
        profile(workspace, timezone=ZONE).folders,
        SERVICE,
        window_months=12,
        stopped_after_days=21,
        leaks_of=rule.leaks_of,
    )


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    made = Workspace(tmp_path_factory.mktemp("leak") / "workspace")
    made.create()
    frame = pl.concat([reads(m, f) for m, f in flows().items()]).with_columns(
        month=pl.col("start_at").dt.convert_time_zone(ZONE).dt.strftime("%Y-%m")
    )
    for (month,), part in frame.group_by("month"):
        folder = made.lake / LakePartition("interval", str(month), 0).path
        folder.mkdir(parents=True)
        part.drop("month").write_parquet(folder / "a.parquet")
    return made


@pytest.fixture(scope="module")
def year(workspace: Workspace) -> BucketProfile:
    return loaded(workspace, LeakRule.of(Thresholds()))


def row(found: BucketProfile, meter_id: str) -> dict:
    return found.stat.filter(pl.col("meter_id") == meter_id).row(0, named=True)


def test_the_leak_alone_is_left_out_with_rate_and_volume(year: BucketProfile) -> None:
    assert set(year.leaks["meter_id"]) == {"LEAKY", "GROWN", "VACANT"}
    cut = dict(year.stat.select("meter_id", "leak_cut_gpm").iter_rows())
    assert cut["LEAKY"] == pytest.approx(LEAK_GPM, rel=0.03)  # hours read to a whole gallon
    assert [cut[m] for m in ("OFFICE", "PLANT", "GROWN")] == [None, None, None]
    days = DAYS - LEAK_FROM_DAY
    assert row(year, "LEAKY")["leak_cut_gal"] == pytest.approx(LEAK_GPM * 1440 * days, rel=0.04)
    assert row(year, "OFFICE")["leak_cut_gal"] == 0


def test_what_is_left_is_the_year_of_the_twin(year: BucketProfile) -> None:
    leaky, twin = row(year, "LEAKY"), row(year, "OFFICE")
    for name, most in {
        "registered_gal": 0.05,
        "max_interval_gpm": 0.02,
        "zero_count": 0.02,
        "within_ss": 0.02,
        "night_zero_count": 0.01,
    }.items():
        assert leaky[name] == pytest.approx(twin[name], rel=most), name


def test_a_load_that_runs_day_and_night_is_as_it_was_read(
    workspace: Workspace, year: BucketProfile
) -> None:
    uncut = loaded(workspace, replace(LeakRule.of(Thresholds()), is_cut=False))
    for meter_id in ("PLANT", "GROWN", "OFFICE"):
        assert row(year, meter_id) == row(uncut, meter_id)
    assert row(uncut, "LEAKY")["leak_cut_gpm"] is None
    assert row(uncut, "LEAKY")["registered_gal"] > row(year, "LEAKY")["registered_gal"]


@pytest.mark.parametrize(("gpm", "is_cut"), [(9.9, True), (10.1, False)])
def test_a_flow_that_is_large_beside_all_use_is_left(
    year: BucketProfile, gpm: float, is_cut: bool
) -> None:
    """Limit: 10 gpm, the continuous rating of a 5/8 in meter (AWWA C700)."""
    names = ("max_interval_gpm", "max_hour_gpm", "max_day_gpm", "peak_register_gpm")
    more = gpm - LEAK_GPM
    leak = {"leak_gpm": pl.lit(gpm)}
    runs = (pl.col("month") >= pl.col("leak_from_on")).cast(pl.Float64)
    grown = year.leak_months.with_columns(**leak, **{n: pl.col(n) + more * runs for n in names})
    planted = replace(year, leak_months=grown, leak_bands=year.leak_bands.with_columns(**leak))
    found = without_leaks(replace(planted, stat=year.stat.drop("leak_cut_gpm", "leak_cut_gal")))
    assert (row(found, "LEAKY")["leak_cut_gpm"] is not None) == is_cut


def test_an_account_that_is_nearly_all_leak_is_told_so(workspace: Workspace) -> None:
    limits = Thresholds()
    known = (
        pl.lit("rated").alias("meter_status"),
        pl.lit(None, pl.String).alias("meter_refusal"),
    )
    read = as_read(workspace, LeakRule.of(limits))
    read = replace(
        read,
        stat=read.stat.with_columns(*known, meter_type=pl.lit("displacement"), size_in=2.0),
    )
    before = gated(read, limits, "us")
    after = gated_without_leaks(before, limits, "us")
    assert before.stat["not_assessed_code"].null_count() == len(METERS)
    told = dict(after.stat.select("meter_id", "not_assessed_code").iter_rows())
    assert told == {**dict.fromkeys(METERS), "VACANT": "nearly_all_leak"}
    message = row(after, "VACANT")["not_assessed_message"]
    assert "a possible leak" in message
    assert "are left, too little to size a meter for" in message
    gal = LEAK_GPM * 1440 * (DAYS - LEAK_FROM_DAY)
    assert row(after, "VACANT")["leak_cut_gal"] == pytest.approx(gal, rel=0.04)


@pytest.fixture(scope="module")
def picks(year: BucketProfile) -> dict[str, dict]:
    rows = year.stat.filter(pl.col("meter_id") != "VACANT").sort("meter_id")
    block, size = block_of(year, rows), rows.height
    unknown = np.full(size, np.nan)
    sites = SiteBlock(
        service_kind=("domestic",) * size,
        customer_class=tuple(rows["customer_class"]),
        service_line_in=unknown,
        spare_head_psi=unknown,
        is_critical=np.zeros(size, dtype=bool),
        area=(None,) * size,
        age_years=unknown,
        meter_index=np.full(size, INSTALLED),
    )
    limits = Thresholds(min_net_benefit_usd_per_year=0, min_gain_points=0)
    same = replace(block, meter_id=("SAME",) * size)  # samples follow from the name of a meter
    posterior = infer(same, CATALOGUE.meters, load_priors(), samples=64, seed=1, learnt=None)
    decision = decide(block, posterior, sites, CATALOGUE, DEAR, limits, units="us")
    return {r["meter_id"]: r for r in decision.recommendation.to_dicts()}


def test_the_pick_is_that_of_the_twin(picks: dict[str, dict]) -> None:
    leaky, twin = picks["LEAKY"], picks["OFFICE"]
    same = ("verdict", "action", "recommended_type", "recommended_size_in")
    assert [leaky[n] for n in same] == [twin[n] for n in same]
    assert twin["recommended_size_in"] == 0.625
    assert leaky["peak_10s_gpm"] == pytest.approx(twin["peak_10s_gpm"], rel=0.01)
    assert leaky["expected_actual_gal_per_year"] == pytest.approx(
        twin["expected_actual_gal_per_year"], rel=0.05
    )
    assert picks["GROWN"]["peak_10s_gpm"] > 1.03 * twin["peak_10s_gpm"]


def test_findings_on_reads_rest_on_the_same_year_as_decisions(workspace: Workspace) -> None:
    rule = LeakRule.of(Thresholds())
    decided = as_read(workspace, rule)
    folders = profile(workspace, timezone=ZONE).folders
    noted = load_reads(
        workspace, BucketTask("00", folders, folders, SERVICE), Thresholds(), rule
    )
    pl.testing.assert_frame_equal(noted.stat, decided.stat, check_exact=True)
    pl.testing.assert_frame_equal(noted.leaks, decided.leaks, check_exact=True)
    assert noted.leaks.height
    night = with_night_flow(noted)["night_low_gpm"]
    assert night.equals(with_night_flow(decided)["night_low_gpm"], null_equal=True)
    nights = decided.bands.filter(pl.col("kind") == "night").select(decided.nights.columns)
    pl.testing.assert_frame_equal(decided.nights, nights, check_exact=True, check_dtypes=False)
