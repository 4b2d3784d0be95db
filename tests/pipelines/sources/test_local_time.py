"""Wall clock to UTC: days of 23 and 25 hours in both hemispheres, offsets, epoch."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.sources.local_time import kind_case, month_case, utc_case, wall_segments
from tests.pipelines.exports import HEADER, Utility

ZONES = (
    "America/Denver",
    "Australia/Sydney",
    "Australia/Lord_Howe",
    "America/Sao_Paulo",
    "UTC",
    "Asia/Kathmandu",
    "Europe/Dublin",
)


def wall_labels(
    zone: str, first: datetime, hours: int, minutes: int = 60
) -> list[tuple[str, datetime]]:
    """End stamps as a wall clock shows them, with the true start in UTC."""
    start = first.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    labels = []
    for step in range(hours * 60 // minutes):
        at = start + timedelta(minutes=minutes * step)
        end = (at + timedelta(minutes=minutes)).astimezone(ZoneInfo(zone))
        labels.append((f"{end:%Y-%m-%d %H:%M}", at.replace(tzinfo=None)))
    return labels


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [  # dates of change: IANA time zone database (STANDARD, MEM-H)
        ("America/Denver", datetime(2025, 3, 9), 23),
        ("America/Denver", datetime(2025, 11, 2), 25),
        ("Australia/Sydney", datetime(2025, 10, 5), 23),
        ("Australia/Sydney", datetime(2025, 4, 6), 25),
    ],
)
@pytest.mark.parametrize("minutes", [60, 15])
def test_days_of_23_and_25_hours_are_exact(
    tmp_path: Path, zone: str, day: datetime, hours: int, minutes: int
) -> None:
    utility = Utility(tmp_path, {"interval_min": minutes}, timezone=zone)
    labels = wall_labels(zone, day, hours, minutes)
    following = (day + timedelta(days=1)).replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    assert labels[-1][1] + timedelta(minutes=minutes) == following.replace(tzinfo=None)
    lines = "".join(f"M1,{label},{k},A\n" for k, (label, _) in enumerate(labels))
    utility.write("reads.csv", HEADER + lines)
    utility.land()
    assert utility.rejected() == []
    read = [(r["start_at"], r["registered_gal"]) for r in utility.lake()]
    assert read == [(at, float(k)) for k, (_, at) in enumerate(labels)]


def test_an_hour_that_the_clock_skips_is_refused(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {})
    utility.write("r.csv", HEADER + "M1,2025-03-09 02:30,1,A\nM1,2025-03-09 03:00,2,A\n")
    utility.land()
    assert [r["rule"] for r in utility.rejected()] == ["time_nonexistent"]
    assert [r["start_at"] for r in utility.lake()] == [datetime(2025, 3, 9, 8)]


def test_half_a_file_that_begins_in_the_repeated_hour_keeps_its_place(tmp_path: Path) -> None:
    """The second half of an export, alone, starts with the second passage of 01:00."""
    utility = Utility(tmp_path, {})
    labels = wall_labels("America/Denver", datetime(2025, 11, 2), 25)
    lines = [f"M1,{label},{k},A\n" for k, (label, _) in enumerate(labels)]
    assert labels[1][0] == labels[0][0]  # 01:00 stands twice
    utility.write("half.csv", HEADER + "".join(lines[1:]))
    utility.land()
    assert [r["start_at"] for r in utility.lake()] == [at for _, at in labels[1:]]


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("2025-06-01T01:00:00-07:00", datetime(2025, 6, 1, 7)),
        ("2025-06-01 01:00:00+0530", datetime(2025, 5, 31, 18, 30)),
        ("2025-06-01 01:00-07", datetime(2025, 6, 1, 7)),
        ("2025-06-01T01:00:00Z", datetime(2025, 6, 1, 0)),
        ("1748739600", datetime(2025, 6, 1, 0)),
        ("1748739600000", datetime(2025, 6, 1, 0)),
        ("2025-06-01 01:00:00.000", datetime(2025, 6, 1, 6)),
        ("2025-6-1 1:00", datetime(2025, 6, 1, 6)),
        ("2025/06/01 01:00", datetime(2025, 6, 1, 6)),
        ("2025-05-31 24:00", datetime(2025, 6, 1, 5)),
    ],
)
def test_stamps_with_offset_epoch_and_wall_clock(
    tmp_path: Path, text: str, start: datetime
) -> None:
    utility = Utility(tmp_path, {})
    utility.write("reads.csv", HEADER + f"M1,{text},1,A\n")
    utility.land()
    assert utility.rejected() == []
    assert utility.lake()[0]["start_at"] == start


@pytest.mark.parametrize(
    "text",
    [
        "06/01/2025 01:00",
        "2025-06-01 01:00 AM",
        "now",
        "2025-02-30 01:00",
        "2025-06-01 01:60",
        "yesterday",
        "2025-06-01 01:00:00 America/Denver",
    ],
)
def test_other_writings_are_refused_not_guessed(tmp_path: Path, text: str) -> None:
    utility = Utility(tmp_path, {})
    utility.write("reads.csv", HEADER + f"M1,{text},1,A\n")
    utility.land()
    assert [r["rule"] for r in utility.rejected()] == ["time_unreadable"]


def test_a_format_of_their_own_is_read(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {"time_format": "%m/%d/%Y %I:%M %p"})
    utility.write("reads.csv", HEADER + "M1,06/01/2025 01:00 PM,1,A\n")
    utility.land()
    assert utility.lake()[0]["start_at"] == datetime(2025, 6, 1, 18)


@settings(deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    at=st.datetimes(datetime(1996, 1, 1), datetime(2040, 1, 1)),
    second=st.booleans(),
)
def test_wall_clock_agrees_with_the_zone_database(
    zone: str, at: datetime, second: bool
) -> None:
    """ANALYTIC: Python's own conversion with `fold`, wherever the wall time exists."""
    at = at.replace(second=0, microsecond=0)
    segments = wall_segments(zone, at - timedelta(days=200), at + timedelta(days=200))
    wall = f"timestamp '{at}'"
    row = _CON.execute(
        f"select make_timestamp({utc_case(segments, wall, str(second).lower())}), "
        f"{kind_case(segments, wall, 'gap')}, {kind_case(segments, wall, 'fold')}"
    ).fetchone()
    assert row is not None
    utc, is_gap, is_fold = row
    info = ZoneInfo(zone)
    first, other = (
        at.replace(tzinfo=info, fold=f).astimezone(UTC).replace(tzinfo=None) for f in (0, 1)
    )
    back = first.replace(tzinfo=UTC).astimezone(info).replace(tzinfo=None)
    assert is_gap == (back != at)
    assert is_fold == (first != other and not is_gap)
    if not is_gap:
        assert utc == (other if second else first)


@settings(deadline=None)
@given(zone=st.sampled_from(ZONES), at=st.datetimes(datetime(1996, 1, 1), datetime(2040, 1, 1)))
def test_months_are_local(zone: str, at: datetime) -> None:
    case = month_case(zone, "t", at - timedelta(days=70), at + timedelta(days=70))
    row = _CON.execute(f"select {case} from (select ?::timestamp as t)", [at]).fetchone()
    local = at.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
    assert row == (12 * local.year + local.month - 1,)


_CON = duckdb.connect()
