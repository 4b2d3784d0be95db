"""Volumes by difference: every way a register can jump, told apart (PLANTED cases)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.store.resources import sql_text

BEGIN = datetime(2025, 6, 1, tzinfo=UTC)
STEADY = [float(10 * k) for k in range(40)]  # 10 gal an hour


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as opened:
        opened.execute("set TimeZone = 'UTC'")
        yield opened


Interval = tuple[float, float, float | None, str]  # start [h], length [min], gal, quality


def intervals(
    connection: duckdb.DuckDBPyConnection,
    readings: list[tuple[float, float]],
    *,
    dial_limit_gal: float | None = None,
    quality: dict[int, str] | None = None,
) -> list[Interval]:
    """The statement's answer to readings given as (hour, gallons)."""
    connection.execute(sql_text("30_profile/landed_read_none"))
    connection.execute(sql_text("30_profile/ranked_reading_none"))
    connection.executemany(
        "insert into ranked_reading values ('M', ?, ?, ?, 'f', ?, ?, 1, true, true)",
        [
            [
                BEGIN + timedelta(hours=hour),
                gal,
                (quality or {}).get(k, "measured"),
                k + 2,
                dial_limit_gal,
            ]
            for k, (hour, gal) in enumerate(readings)
        ],
    )
    connection.execute(sql_text("30_profile/interval_from_register"))
    rows = connection.execute(
        "select start_at, interval_min, registered_gal, quality from landed_read "
        "order by start_at, quality = 'missing'"
    ).fetchall()
    return [((at - BEGIN) / timedelta(hours=1), length, gal, q) for at, length, gal, q in rows]


def hourly(readings: list[float]) -> list[tuple[float, float]]:
    return [(float(k), r) for k, r in enumerate(readings)]


def counted(found: list[Interval]) -> float:
    return sum(gal or 0.0 for _, _, gal, quality in found if quality != "missing")


def test_differences_are_volumes(connection: duckdb.DuckDBPyConnection) -> None:
    found = intervals(connection, hourly(STEADY))
    assert found == [(float(k), 60.0, 10.0, "measured") for k in range(39)]


def test_a_known_dial_rolls_over(connection: duckdb.DuckDBPyConnection) -> None:
    readings = [99980.0 + 10 * k for k in range(2)] + [0.0 + 10 * k for k in range(20)]
    found = intervals(connection, hourly(readings), dial_limit_gal=1e5)
    assert [f[2] for f in found] == [10.0] * 21
    assert {f[3] for f in found} == {"measured"}


def test_an_unknown_dial_rolls_over_near_a_power_of_ten(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    readings = [999970.0 + 10 * k for k in range(3)] + [0.0 + 10 * k for k in range(20)]
    assert counted(intervals(connection, hourly(readings))) == pytest.approx(220)


def test_a_reset_makes_no_volume(connection: duckdb.DuckDBPyConnection) -> None:
    readings = [50000.0 + 10 * k for k in range(20)] + [10.0 * k for k in range(20)]
    found = intervals(connection, hourly(readings))
    assert [f for f in found if f[3] == "missing"] == [(19.0, 60.0, None, "missing")]
    assert counted(found) == 19 * 10 + 19 * 10


def test_water_that_ran_back_keeps_its_sign(connection: duckdb.DuckDBPyConnection) -> None:
    readings = [*STEADY[:20], *(r - 15 for r in STEADY[20:])]  # one step of -5
    found = intervals(connection, hourly(readings))
    assert found[19] == (19.0, 60.0, -5.0, "measured")
    assert counted(found) == readings[-1] - readings[0]


@pytest.mark.parametrize("wrong", [9e6, 0.0])
def test_a_misread_is_passed_over(connection: duckdb.DuckDBPyConnection, wrong: float) -> None:
    readings = [1000 + r for r in STEADY]
    readings[20] = wrong
    found = intervals(connection, hourly(readings))
    assert (19.0, 120.0, 20.0, "gap") in found
    assert counted(found) == 390.0


def test_a_gap_keeps_its_volume_and_claims_no_shape(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    readings = [r for r in hourly(STEADY) if not 10 < r[0] < 15]
    found = intervals(connection, readings)
    assert (10.0, 300.0, 50.0, "gap") in found
    assert counted(found) == 390.0


def test_a_stuck_register_is_a_gap_of_its_whole_stretch(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    readings = [r if not 10 <= k < 25 else 100.0 for k, r in enumerate(STEADY)]
    found = intervals(connection, hourly(readings))
    assert (10.0, 900.0, 150.0, "stuck") in found
    assert counted(found) == 390.0


def test_a_quiet_night_is_not_stuck(connection: duckdb.DuckDBPyConnection) -> None:
    reading, readings = 0.0, []
    for hour in range(24 * 7):
        readings.append(reading)
        reading += 30.0 if 7 <= hour % 24 < 19 else 0.0
    found = intervals(connection, hourly(readings))
    assert {f[3] for f in found} == {"measured"}
    assert max(f[2] or 0 for f in found) == 30.0


def test_one_great_draw_after_a_quiet_time_keeps_its_peak(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    """A leap far beyond what passes in such a time is a draw, not a register set free."""
    readings = [*STEADY[:20], *([STEADY[19]] * 8), *(STEADY[19] + 5000 + r for r in STEADY)]
    found = intervals(connection, hourly(readings))
    assert (27.0, 60.0, 5000.0, "measured") in found


def test_an_estimate_at_either_end_makes_an_estimate(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    found = intervals(connection, hourly(STEADY), quality={10: "estimated"})
    assert [k for k, f in enumerate(found) if f[3] == "estimated"] == [9, 10]


@settings(deadline=None, max_examples=40)
@given(st.lists(st.integers(0, 50), min_size=3, max_size=80), st.integers(0, 9999))
def test_volumes_of_a_rising_register_add_up(steps: list[int], first: int) -> None:
    """ANALYTIC: whatever is told apart, the volume is last reading less first."""
    readings = [float(first)]
    for step in steps:
        readings.append(readings[-1] + step)
    with duckdb.connect() as opened:
        opened.execute("set TimeZone = 'UTC'")
        found = intervals(opened, hourly(readings))
    assert counted(found) == pytest.approx(readings[-1] - readings[0])


def nightly(days: int) -> list[tuple[float, float]]:
    """An hourly register that stands still from 22 to 6 h and counts 10 gal an hour by day."""
    reading, found = 0.0, []
    for hour in range(24 * days):
        found.append((float(hour), reading))
        reading += 10.0 if 6 <= hour % 24 < 22 else 0.0
    return found


def test_readings_that_are_missing_after_a_still_night_are_no_stuck_register(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    readings = [r for r in nightly(10) if not 78 < r[0] < 127]  # two days behind a night
    found = intervals(connection, readings)
    assert "stuck" not in {quality for *_, quality in found}
    assert counted(found) == pytest.approx(readings[-1][1] - readings[0][1])


def test_a_stuck_register_of_which_readings_are_missing_is_found(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    readings = [(h, 500.0 if 100 <= h < 180 else r) for h, r in nightly(14)]
    readings = [r for r in readings if r[0] not in (178.0, 179.0)]
    assert "stuck" in {quality for *_, quality in intervals(connection, readings)}


@settings(max_examples=60, deadline=None)
@given(
    holes=st.lists(st.tuples(st.integers(1, 230), st.integers(1, 60)), min_size=1, max_size=4)
)
def test_taking_readings_away_makes_no_register_stuck(
    connection: duckdb.DuckDBPyConnection, holes: list[tuple[int, int]]
) -> None:
    """Law: what is missing tells nothing of a register that runs."""
    gone = {h for first, length in holes for h in range(first, first + length)}
    readings = [r for r in nightly(10) if int(r[0]) not in gone]
    assert "stuck" not in {quality for *_, quality in intervals(connection, readings)}
