"""Refused and flagged rows are found by file and line, in lake and rejects."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import pytest

from pipelines.commands.flagged_rows import Wanted, flagged, show_flagged_rows
from rightsize.errors import ConfigError
from tests.pipelines.exports import Utility

Row = tuple[str, int, str]


def found(utility: Utility, **wanted: str) -> list[Row]:
    """File, line and rule of what is found."""
    with flagged(utility.loaded, Wanted(**wanted)) as connection:
        return [
            (Path(path).name, line, rule)
            for path, line, rule in connection.execute(
                "select source_file, source_line, rule from flagged_row order by all"
            ).fetchall()
        ]


@pytest.fixture
def utility(tmp_path: Path) -> Utility:
    utility = Utility(tmp_path, {"columns": {"quality": "flag"}})
    utility.write(
        "a.csv",
        "meter_id,interval_end,volume,flag\n"
        "M1,2025-06-01 01:00,1,A\n"
        "M1,2025-06-01 02:00,2,E\n"
        "M1,2025-06-01 03:00,3,A\n"
        "M1,2025-06-01 03:00,4,A\n"
        "M1,2025-06-01 04:00,,A\n"
        "M1,2025-06-01 05:00,-5,A\n"
        "NOBODY,2025-06-01 01:00,1,A\n"
        "M2,2025-06-01 01:00,1,??\n",
    )
    utility.write("b.csv", "meter_id,interval_end,volume,flag\nM1,2025-06-01 01:00,9,A\n")
    utility.land()
    return utility


def test_every_refused_and_flagged_row_is_found_by_file_and_line(utility: Utility) -> None:
    assert found(utility) == [
        ("a.csv", 2, "read_superseded"),
        ("a.csv", 3, "read_estimated"),
        ("a.csv", 4, "read_repeated"),
        ("a.csv", 6, "read_missing"),
        ("a.csv", 7, "volume_negative"),
        ("a.csv", 8, "meter_unknown"),
        ("a.csv", 9, "read_questionable"),
    ]


def test_rows_are_chosen_by_rule_meter_file_and_month(utility: Utility) -> None:
    assert found(utility, rule="read_estimated") == [("a.csv", 3, "read_estimated")]
    assert found(utility, meter_id="NOBODY") == [("a.csv", 8, "meter_unknown")]
    assert found(utility, file="b.csv") == []
    assert found(utility, month="2025-07") == []
    assert len(found(utility, month="2025-06", file="a.csv")) == 6


def test_a_rule_that_is_not_known_is_named(utility: Utility) -> None:
    with pytest.raises(ConfigError, match="unknown rule 'nonsense'; allowed: flow_reverse"):
        found(utility, rule="nonsense")


def test_without_a_landing_there_is_nothing_to_look_up(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no reads yet; run `rightsize sweep` first"):
        show_flagged_rows(Utility(tmp_path, {}).loaded, Wanted())


def test_the_file_written_holds_severity_and_at_most_the_limit(
    utility: Utility, capsys: pytest.CaptureFixture[str]
) -> None:
    target = utility.folder / "rows.csv"
    show_flagged_rows(utility.loaded, Wanted(), limit=2, to=target)
    with target.open(newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert [(r["source_line"], r["rule"], r["severity"]) for r in rows] == [
        ("2", "read_superseded", "flag"),
        ("3", "read_estimated", "flag"),
    ]
    assert "2 rows written" in capsys.readouterr().out


def test_what_is_not_there_is_told_apart_from_nothing_refused(
    utility: Utility, capsys: pytest.CaptureFixture[str]
) -> None:
    told = {
        Wanted(meter_id="99"): "no such meter 99: the meter list does not hold it",
        Wanted(meter_id="M4"): "no rejected or flagged rows",
        Wanted(file="zz"): "no such file zz: no landed file has this in its path",
        Wanted(file="b.csv"): "no rejected or flagged rows",
        Wanted(meter_id="NOBODY"): "meter_unknown",
    }
    for wanted, said in told.items():
        show_flagged_rows(utility.loaded, wanted)
        assert said in " ".join(capsys.readouterr().out.split()), wanted


def test_files_are_named_whole_and_times_are_the_utilitys(utility: Utility) -> None:
    """01:00 in Denver is 07:00 UTC: the read began at 00:00, which is told as such."""
    target = utility.folder / "rows.csv"
    show_flagged_rows(utility.loaded, Wanted(meter_id="NOBODY"), to=target)
    (row,) = csv.DictReader(target.read_text().splitlines())
    assert row["source_file"] == str(utility.folder / "exports" / "a.csv")
    assert row["read_at"].replace("T", " ").startswith("2025-06-01 00:00")


def test_a_stamp_after_the_landing_is_flagged(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {"timezone": "UTC"})
    ahead = dt.datetime.now(dt.UTC) + dt.timedelta(hours=20)
    utility.write("a.csv", f"meter_id,interval_end,volume\nM1,{ahead:%Y-%m-%d %H}:00,1\n")
    utility.land()
    assert found(utility) == [("a.csv", 2, "time_future")]


def test_overlapping_intervals_are_flagged(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {"columns": {"interval_min": "min"}, "stamp": "start"})
    utility.write(
        "a.csv",
        "meter_id,interval_start,volume,min\n"
        "M1,2025-06-01 01:00,1,60\nM1,2025-06-01 01:30,1,30\nM1,2025-06-01 02:00,1,60\n",
    )
    utility.land()
    assert found(utility) == [("a.csv", 3, "read_overlapping")]


def test_a_reading_that_falls_is_flagged_across_months(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {"layout": "register"})
    utility.write(
        "a.csv",
        "meter_id,read_at,reading\n"
        "M1,2025-06-30 12:00,100\nM1,2025-07-01 12:00,90\nM1,2025-07-02 12:00,95\n",
    )
    utility.land()
    assert found(utility) == [("a.csv", 3, "reading_fell")]
