"""A refusal that would not be made today never stands; other files are left alone."""

from __future__ import annotations

import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.store import ledger
from tests.pipelines.exports import HEADER, Utility, hourly

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}
REGISTER = {"layout": "register", "unit": "gal"}
DIALS = "meter_id,read_at,reading\n"


@pytest.fixture
def utility(tmp_path: Path) -> Utility:
    return Utility(tmp_path, dict(INTERVAL))


def set_scale(utility: Utility, meter_id: str, multiplier: str, digits: str) -> None:
    path = utility.folder / "meters.csv"
    lines = [line.split(",") for line in path.read_text().splitlines()]
    path.write_text(
        "".join(
            ",".join([*c[:5], multiplier, digits] if c[1] == meter_id else c) + "\n"
            for c in lines
        )
    )


def state(utility: Utility) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    kept = [
        (
            r["meter_id"],
            r["source_line"],
            r.get("registered_gal"),
            r.get("reading_gal"),
            r.get("dial_limit_gal"),
        )
        for kind in ("interval", "register")
        for r in utility.lake(kind)
    ]
    refused = [(r["source_line"], r["rule"], r["value"]) for r in utility.rejected()]
    return sorted(kept, key=str), sorted(refused, key=str)


def at_clock(monkeypatch: pytest.MonkeyPatch, at: datetime) -> None:
    monkeypatch.setattr(ledger, "now_utc", lambda connection: at)


def test_mended_digits_take_back_the_refusals(utility: Utility) -> None:
    utility.export = dict(REGISTER)
    utility.write(
        "dials.csv", DIALS + "M4,2025-06-01 00:00,1000001\nM4,2025-06-01 01:00,1000002\n"
    )
    utility.write("others.csv", DIALS + "M1,2025-06-01 00:00,5\nM1,2025-06-01 01:00,6\n")
    assert utility.land().rows_rejected == 2  # all of that meter
    set_scale(utility, "M4", "", "7")
    summary = utility.land()
    assert [f.path.name for f in summary.files] == ["dials.csv"]
    assert utility.rejected() == []
    assert [r["dial_limit_gal"] for r in utility.lake("register") if r["meter_id"] == "M4"] == [
        1e7,
        1e7,
    ]
    assert utility.land().files == ()


def test_digits_put_right_downward_refuse_what_they_would_refuse_today(
    utility: Utility,
) -> None:
    utility.export = dict(REGISTER)
    set_scale(utility, "M4", "", "9")
    utility.write("dials.csv", DIALS + "M4,2025-06-01 00:00,1000001\n")
    assert utility.land().rows_rejected == 0
    set_scale(utility, "M4", "", "6")
    assert utility.land().rows_rejected == 1


def test_a_mended_multiplier_takes_back_a_refusal_of_all_a_meters_reads(
    utility: Utility,
) -> None:
    set_scale(utility, "M1", "100000", "")
    utility.write("a.csv", HEADER + hourly("M1", "2025-06-01", [100, 200]))
    utility.write("b.csv", HEADER + hourly("M2", "2025-06-01", [1]))
    assert [r["rule"] for r in (utility.land(), utility.rejected())[1]] == [
        "volume_implausible"
    ] * 2
    set_scale(utility, "M1", "1", "")
    assert [f.path.name for f in utility.land().files] == ["a.csv"]
    assert utility.rejected() == []
    assert utility.land().files == ()


def test_a_shipped_limit_that_changes_judges_again(
    utility: Utility, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    utility.write("a.csv", HEADER + "M1,1990-06-01 01:00,1,A\n")
    assert utility.land().rows_rejected == 1
    limits = tmp_path / "read_rules.yaml"
    limits.write_text('earliest_at: "1980-01-01"\nfuture_days: 2\nmax_flow_gpm: 30000\n')
    for module in ("land_file",):
        monkeypatch.setattr(
            f"pipelines.stages.land.{module}.config_path", lambda name: limits, raising=False
        )
    assert utility.land().rows_accepted == 1
    assert utility.rejected() == []


def test_a_clock_that_was_behind_loses_no_read(
    utility: Utility, monkeypatch: pytest.MonkeyPatch
) -> None:
    utility.write("old.csv", HEADER + hourly("M1", "2025-01-01", range(24)))
    utility.write("new.csv", HEADER + hourly("M1", "2025-06-01", range(24)))
    with monkeypatch.context() as patch:
        at_clock(patch, datetime(2025, 2, 1))
        assert utility.land().rows_rejected == 24
        assert utility.land().files == ()
    assert [f.path.name for f in utility.land().files] == ["new.csv"]
    assert utility.rejected() == []
    assert utility.land().files == ()


def test_a_clock_that_was_ahead_lets_no_future_stand(
    utility: Utility, monkeypatch: pytest.MonkeyPatch
) -> None:
    utility.write("new.csv", HEADER + hourly("M1", "2026-06-01", range(24)))
    with monkeypatch.context() as patch:
        at_clock(patch, datetime(2026, 6, 1))
        assert utility.land().rows_accepted == 24
        at_clock(patch, datetime(2025, 6, 1))
        assert utility.land().rows_rejected == 24
        assert utility.land().files == ()


def test_a_file_gone_is_told_when_the_clock_says_otherwise(
    utility: Utility, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = utility.write("new.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.write("old.csv", HEADER + hourly("M1", "2025-01-01", range(3)))
    with monkeypatch.context() as patch:
        at_clock(patch, datetime(2025, 2, 1))
        utility.land()
    path.unlink()
    assert [(p.code, p.path) for p in utility.land().problems] == [("refusals_stale", path)]
    assert utility.land().problems == ()


SCALE = st.tuples(
    st.sampled_from(["M1", "M4"]),
    st.sampled_from(["", "10", "1e5"]),
    st.sampled_from(["", "4", "6"]),
)
READINGS = st.lists(
    st.tuples(st.sampled_from(["M1", "M2", "M4"]), st.integers(0, 2_000_000)),
    min_size=1,
    max_size=6,
)


@pytest.mark.heavy_ci
@pytest.mark.heavy
@settings(max_examples=12, deadline=None)
@given(
    layout=st.sampled_from(["interval", "register"]),
    reads=READINGS,
    scales=st.lists(SCALE, min_size=1, max_size=3),
    clocks=st.lists(st.integers(-40, 40), min_size=1, max_size=3),
)
def test_the_lake_is_what_a_fresh_landing_under_todays_list_and_clock_makes(
    layout: str,
    reads: list[tuple[str, int]],
    scales: list[tuple[str, str, str]],
    clocks: list[int],
) -> None:
    """Law: refusals and reads depend on files, meter list and clock of today alone.

    The clocks go on, as a clock that was behind and is put right does: by one that falls back
    behind the landing of past reads, these are not refused afterwards.
    """
    export = dict(INTERVAL if layout == "interval" else REGISTER)
    head = HEADER if layout == "interval" else DIALS + ""
    tail = ",A" if layout == "interval" else ""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        tried, fresh = (Utility(Path(folder) / n, dict(export)) for n in ("tried", "fresh"))
        for one in (tried, fresh):
            for k, (meter_id, amount) in enumerate(reads):
                day = datetime(2025, 6, 1) + timedelta(days=9 * k)
                one.write(
                    f"f{k}.csv", f"{head}{meter_id},{day:%Y-%m-%d} 01:00,{amount}{tail}\n"
                )
        for days in sorted(clocks):
            at_clock(patch, datetime(2025, 6, 20) + timedelta(days=days))
            tried.land()
        for scale in scales:
            for one in (tried, fresh):
                set_scale(one, *scale)
            tried.land()
        fresh.land()
        assert state(tried) == state(fresh)
