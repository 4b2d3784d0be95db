"""Exports as reports write them: lines above the header, date and time in two columns."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.pipelines.exports import Utility

READS = "M1;01/13/2025;01:00;5\nM1;01/13/2025;02:00;6\nM2;01/13/2025;01:00;7\n"


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
def test_lines_above_the_header_and_a_time_apart(tmp_path: Path, encoding: str) -> None:
    text = "Interval report\nCañón; 2 meters\nmeter;day;clock;usage\n" + READS
    export = {
        "skip_lines": 2,
        "encoding": encoding,
        "columns": {"meter_id": "meter", "at": "day", "time": "clock", "volume": "usage"},
        "time_format": "%m/%d/%Y %H:%M",
    }
    utility = Utility(tmp_path, export, timezone="UTC")
    utility.write("a.csv", text.encode(encoding))
    assert utility.land().rows_rejected == 0
    found = [
        (r["meter_id"], f"{r['start_at']:%Y-%m-%d %H:%M}", r["registered_gal"])
        for r in utility.lake()
    ]
    assert found == [
        ("M1", "2025-01-13 00:00", 5.0),
        ("M1", "2025-01-13 01:00", 6.0),
        ("M2", "2025-01-13 00:00", 7.0),
    ]


def test_a_refused_line_keeps_its_number_below_skipped_lines(tmp_path: Path) -> None:
    text = "title\nmeter,at,volume\nM1,2025-01-13 01:00,5\nM1,2025-01-13 02:00,x\n"
    utility = Utility(tmp_path, {"skip_lines": 1}, timezone="UTC")
    utility.write("a.csv", text)
    assert utility.land().rows_rejected == 1
    assert utility.rejected()[0]["source_line"] == 4


def test_iso_dates_and_times_need_no_format(tmp_path: Path) -> None:
    text = "meter,read_date,tod,reading\nM1,2025-01-13,01:00,100\nM1,2025-01-13,02:00,103\n"
    columns = {"meter_id": "meter", "at": "read_date", "time": "tod", "reading": "reading"}
    utility = Utility(tmp_path, {"layout": "register", "columns": columns}, timezone="UTC")
    utility.write("a.csv", text)
    assert utility.land().rows_rejected == 0
    assert [f"{r['read_at']:%H:%M}" for r in utility.lake("register")] == ["01:00", "02:00"]
