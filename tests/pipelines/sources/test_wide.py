"""Layout wide: one line a meter and day, days of 23, 24 and 25 hours."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from rightsize.errors import ConfigError
from tests.pipelines.exports import Utility

MIDNIGHT_SPRING = datetime(2025, 3, 9, 7)  # Denver, UTC-7; the day has 23 hours
MIDNIGHT_FALL = datetime(2025, 11, 2, 6)  # Denver, UTC-6; the day has 25 hours


def wide(columns: int, *lines: tuple[str, list[object]]) -> str:
    head = "meter_id,date," + ",".join(f"HE{k:02d}" for k in range(1, columns + 1))
    body = [
        f"M1,{day}," + ",".join("" if c is None else str(c) for c in cells)
        for day, cells in lines
    ]
    return "\n".join([head, *body]) + "\n"


def landed(folder: Path, text: str, **export: object) -> Utility:
    utility = Utility(folder, {"layout": "wide", **export})
    utility.write("wide.csv", text)
    utility.land()
    return utility


def starts(utility: Utility, midnight: datetime) -> dict[float, float]:
    """Hours after midnight of each read, by its volume."""
    return {
        r["registered_gal"]: (r["start_at"] - midnight) / timedelta(hours=1)
        for r in utility.lake()
    }


def test_columns_follow_the_day(tmp_path: Path) -> None:
    cells: list[object] = [*range(24), None]
    utility = landed(tmp_path, wide(25, ("2025-06-01", cells)))
    assert starts(utility, datetime(2025, 6, 1, 6)) == {float(k): float(k) for k in range(24)}
    assert {r["source_line"] for r in utility.lake()} == {2}
    assert utility.rejected() == []


def test_a_short_day_fills_23_columns(tmp_path: Path) -> None:
    cells: list[object] = [*range(23), None]
    utility = landed(tmp_path, wide(24, ("2025-03-09", cells)))
    assert starts(utility, MIDNIGHT_SPRING) == {float(k): float(k) for k in range(23)}


def test_a_short_day_by_the_clock_leaves_the_skipped_hour_blank(tmp_path: Path) -> None:
    cells: list[object] = [0, 1, None, *range(2, 23)]
    utility = landed(tmp_path, wide(24, ("2025-03-09", cells)))
    assert starts(utility, MIDNIGHT_SPRING) == {float(k): float(k) for k in range(23)}
    assert utility.rejected() == []


def test_a_24th_value_on_a_short_day_is_refused_not_moved(tmp_path: Path) -> None:
    utility = landed(tmp_path, wide(24, ("2025-03-09", list(range(24)))))
    assert len(utility.lake()) == 23
    assert [(r["rule"], r["amount_gal"]) for r in utility.rejected()] == [
        ("time_nonexistent", 23.0)
    ]


def test_a_long_day_fills_25_columns(tmp_path: Path) -> None:
    utility = landed(tmp_path, wide(25, ("2025-11-02", list(range(25)))))
    assert starts(utility, MIDNIGHT_FALL) == {float(k): float(k) for k in range(25)}
    assert {r["quality"] for r in utility.lake()} == {"measured"}


def test_a_long_day_without_a_25th_column_doubts_the_repeated_hour(tmp_path: Path) -> None:
    utility = landed(tmp_path, wide(24, ("2025-11-02", list(range(24)))))
    at = starts(utility, MIDNIGHT_FALL)
    assert at[1.0] == 1.0
    assert at[2.0] == 3.0  # the clock's 02:00 is the day's fourth hour
    assert at[23.0] == 24.0
    doubted = [r["registered_gal"] for r in utility.lake() if r["quality"] == "questionable"]
    assert doubted == [1.0]


def test_quarter_hours_of_a_long_day(tmp_path: Path) -> None:
    utility = landed(tmp_path, wide(100, ("2025-11-02", list(range(100)))), interval_min=15)
    assert starts(utility, MIDNIGHT_FALL) == {float(k): k / 4 for k in range(100)}
    assert {r["interval_min"] for r in utility.lake()} == {15.0}


def test_a_blank_hour_is_missing_and_a_bad_one_is_refused(tmp_path: Path) -> None:
    cells: list[object] = [1, None, "x", *range(3, 24)]
    utility = landed(tmp_path, wide(24, ("2025-06-01", cells)))
    assert [r["quality"] for r in utility.lake()][:3] == ["measured", "missing", "measured"]
    assert [(r["rule"], r["value"]) for r in utility.rejected()] == [("volume_unreadable", "x")]


def test_a_day_that_is_no_day_is_refused(tmp_path: Path) -> None:
    utility = landed(tmp_path, wide(24, ("2025-06-31", [1] * 24), ("2025-06-01", [1] * 24)))
    assert len(utility.lake()) == 24
    assert {(r["rule"], r["source_line"]) for r in utility.rejected()} == {
        ("time_unreadable", 2)
    }


def test_too_few_columns_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="needs at least 23 columns such as h1, h2"):
        landed(tmp_path, wide(12, ("2025-06-01", [1] * 12)))


@pytest.mark.parametrize("names", ["h{k}", "{k}", "hour_{k}", "{h:02d}:00", "Hour Ending {k}"])
def test_usual_names_of_hours_are_found(tmp_path: Path, names: str) -> None:
    head = ",".join(names.format(k=k, h=k - 1) for k in range(1, 25))
    text = f"meter_id,date,{head}\nM1,2025-06-01," + ",".join(["1"] * 24) + "\n"
    assert len(landed(tmp_path, text).lake()) == 24


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "1900-01-01", "2105-03-01"])
def test_a_day_beyond_all_refuses_its_line_alone(tmp_path: Path, day: str) -> None:
    cells: list[object] = [*range(24)]
    utility = landed(tmp_path, wide(24, ("2025-06-01", cells), (day, cells)))
    assert len(utility.lake()) == 24
    assert [(r["source_line"], r["rule"]) for r in utility.rejected()] == [
        (3, "time_implausible")
    ] * 24
