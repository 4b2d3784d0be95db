"""A register's volume survives gaps of any length; a stuck one leaves a finding (PLANTED)."""

from __future__ import annotations

import tempfile
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.configuration.meter_list import load_meters
from pipelines.stages.assess.profile_blocks import load_bucket
from pipelines.stages.land.read_findings import read_findings
from pipelines.stages.profile.profile import ProfileSummary, profile
from rightsize.demand.sufficiency import not_assessed_reason
from tests.pipelines.exports import Utility

EXACT = 1e-9  # one addition a month


def daily(meter_id: str, first: date, last: date, reading: float, step: float) -> str:
    days = (last - first).days + 1
    return "".join(
        f"{meter_id},{first + timedelta(days=k)} 12:00,{reading + step * k:g}\n"
        for k in range(days)
    )


def profiled(utility: Utility) -> ProfileSummary:
    utility.land()
    return profile(utility.workspace, timezone="America/Denver")


def volume(summary: ProfileSummary) -> dict[str, float]:
    files = [f / "month_stat.parquet" for f in summary.folders]
    stats = pl.concat([pl.read_parquet(f) for f in files])
    return dict(stats.group_by("meter_id").agg(pl.col("registered_gal").sum()).iter_rows())


def gap_months(summary: ProfileSummary) -> dict[str, float]:
    found = {}
    for folder in summary.folders:
        stats = pl.read_parquet(folder / "month_stat.parquet").filter(
            pl.col("meter_id") == "M1"
        )
        gal = stats["gap_gal"].sum()
        if gal:
            found[folder.parent.parent.name.removeprefix("month=")] = gal
    return found


@pytest.fixture
def utility(tmp_path: Path) -> Utility:
    return Utility(tmp_path, {"layout": "register"}, more={"buckets": 1})


HEAD = "meter_id,read_at,reading\n"


@pytest.mark.parametrize("back_on", [date(2025, 5, 3), date(2025, 6, 20), date(2025, 9, 1)])
def test_a_gap_of_months_keeps_its_volume(utility: Utility, back_on: date) -> None:
    """The other meter is read all the while, so the bucket has every month."""
    again = 1000 + 10.0 * (back_on - date(2025, 2, 1)).days
    utility.write(
        "reads.csv",
        HEAD
        + daily("M1", date(2025, 2, 1), date(2025, 2, 20), 1000, 10)
        + daily("M1", back_on, back_on + timedelta(days=20), again, 10)
        + daily("M2", date(2025, 2, 1), date(2025, 10, 15), 0, 7),
    )
    summary = profiled(utility)
    total = volume(summary)
    days = (back_on + timedelta(days=20) - date(2025, 2, 1)).days
    assert total["M1"] == pytest.approx(10.0 * days, rel=EXACT)
    assert total["M2"] == pytest.approx(7.0 * (date(2025, 10, 15) - date(2025, 2, 1)).days)
    assert gap_months(summary) == {
        "2025-02": pytest.approx(10.0 * (back_on - date(2025, 2, 20)).days)
    }


def test_a_late_read_within_the_gap_remakes_its_month_only(utility: Utility) -> None:
    utility.write(
        "reads.csv",
        HEAD
        + daily("M1", date(2025, 2, 1), date(2025, 2, 20), 1000, 10)
        + daily("M1", date(2025, 7, 1), date(2025, 7, 10), 2500, 10)
        + daily("M2", date(2025, 1, 1), date(2025, 9, 15), 0, 7),
    )
    before = profiled(utility)
    utility.write("late.csv", HEAD + "M1,2025-05-10 12:00,1980\n")
    after = profiled(utility)
    remade = {
        f.parent.parent.name for f in set(after.folders) - set(before.folders)
    }  # April reads into May, as any month does into the next
    assert remade == {"month=2025-02", "month=2025-04", "month=2025-05"}
    assert volume(after)["M1"] == pytest.approx(2590 - 1000, rel=EXACT)


def test_a_changed_out_meter_is_not_read_on_for_ever(utility: Utility) -> None:
    utility.write(
        "reads.csv",
        HEAD
        + daily("M1", date(2025, 1, 1), date(2025, 1, 20), 1000, 10)
        + daily("M2", date(2025, 1, 1), date(2025, 5, 15), 0, 7),
    )
    assert volume(profiled(utility))["M1"] == pytest.approx(190, rel=EXACT)


@pytest.mark.parametrize("is_stuck", [True, False])
def test_a_stuck_register_is_a_finding(utility: Utility, is_stuck: bool) -> None:
    whole = daily("M1", date(2025, 3, 1), date(2025, 4, 30), 1000, 10)
    lines = whole.splitlines()
    if is_stuck:
        for k in range(10, 25):
            lines[k] = lines[k].rsplit(",", 1)[0] + ",1100"
    utility.write("reads.csv", HEAD + "\n".join(lines) + "\n")
    summary = profiled(utility)
    stats, stuck = (
        [f / f"{table}.parquet" for f in summary.folders]
        for table in ("month_stat", "stuck_register")
    )
    meters = load_meters(utility.folder / "meters.csv", {})
    told = [
        (f.code, f.account_id, f.meter_id, f.evidence["registered_gal"], f.message)
        for f in read_findings(utility.workspace, stats, meters, stuck_files=stuck, units="us")
    ]
    expected = (
        "register did not advance from 2025-03-11 to 2025-03-26 (UTC), then jumped by 150 gal"
    )
    assert told == ([("stuck_register", "A-1", "M1", 150.0, expected)] if is_stuck else [])


def loaded_stat(utility: Utility, summary: ProfileSummary) -> dict[str, float]:
    service = pl.DataFrame(
        {
            "account_id": ["A-1"],
            "meter_id": ["M1"],
            "customer_class": ["office"],
            "service_kind": ["domestic"],
            "resolution_gal": [None],
            "meter_index": [0],
            "meter_type": ["displacement"],
            "size_in": [1.0],
            "meter_status": ["rated"],
            "meter_refusal": [None],
        },
        schema_overrides={"resolution_gal": pl.Float64, "meter_refusal": pl.String},
    )
    found = load_bucket(
        utility.workspace, summary.folders, service, window_months=12, stopped_after_days=30
    )
    judged = not_assessed_reason(
        found.stat,
        min_days_covered=90,
        max_estimated_share=0.4,
        max_zero_share=0.999,
        min_reads_per_step=0.1,
        units="us",
    )
    return judged.row(0, named=True)


def test_a_register_with_a_hole_of_most_of_the_year_has_too_few_days(utility: Utility) -> None:
    """The volume of the hole is known; that there were reads in it is not so."""
    utility.write(
        "reads.csv",
        HEAD
        + daily("M1", date(2025, 1, 1), date(2025, 1, 14), 1000, 10)
        + daily("M1", date(2025, 12, 18), date(2025, 12, 31), 4510, 10),
    )
    found = loaded_stat(utility, profiled(utility))
    assert found["days_covered"] == pytest.approx(26)
    assert found["not_assessed_code"] == "too_few_days"
    assert found["registered_gal"] / found["days_covered"] == pytest.approx(10, rel=EXACT)
    assert found["resolution_gal"] == 10  # as the reads show it


@settings(max_examples=8, deadline=None)
@given(gone=st.sets(st.integers(1, 118), max_size=60), rate=st.integers(1, 40))
def test_days_covered_are_those_of_reads_and_the_rate_that_of_all(
    gone: set[int], rate: int
) -> None:
    """Law: days covered and gaps make the whole time; a gap moves no month's rate."""
    with tempfile.TemporaryDirectory() as folder:
        utility = Utility(Path(folder), {"layout": "register"}, more={"buckets": 1})
        kept = [k for k in range(120) if k not in gone]
        first = date(2025, 1, 1)
        lines = [f"M1,{first + timedelta(days=k)} 00:00,{rate * k}\n" for k in kept]
        utility.write("reads.csv", HEAD + "".join(lines))
        summary = profiled(utility)
        stat = pl.concat([pl.read_parquet(f / "month_stat.parquet") for f in summary.folders])
        whole = stat["days_covered"].sum() + stat["gap_days"].sum()
        assert whole == pytest.approx(119, abs=0.1)  # an hour of the clock's change
        assert stat["registered_gal"].sum() == pytest.approx(rate * 119)
        found = loaded_stat(utility, summary)
        assert found["registered_gal"] / found["days_covered"] == pytest.approx(rate, rel=0.02)


def test_gaps_of_one_length_in_a_month_add_up(utility: Utility) -> None:
    """HAND: read daily at noon but from the 5th to the 9th and from the 15th to the 19th."""
    parts = ((1, 5), (9, 15), (19, 28))
    utility.write(
        "reads.csv",
        HEAD
        + "".join(
            daily("M1", date(2025, 4, a), date(2025, 4, b), 1000 + 10 * a, 10) for a, b in parts
        ),
    )
    (folder,) = profiled(utility).folders
    stat = pl.read_parquet(folder / "month_stat.parquet")
    assert stat["gap_days"].sum() == pytest.approx(4 + 4)
    assert stat["gap_gal"].sum() == pytest.approx(40 + 40)
    assert stat["days_covered"].sum() == pytest.approx(4 + 6 + 9)
