"""An unknown file is looked at, and the proposal lands it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.commands.look.propose import propose_mapping
from rightsize.errors import ConfigError
from rightsize.units import GAL_PER_UNIT
from tests.pipelines.exports import Utility


def proposed(folder: Path, text: str, name: str = "what.csv") -> dict[str, object]:
    path = folder / name
    path.write_text(text)
    return propose_mapping(path).export


def test_interval_in_a_foreign_dress(tmp_path: Path) -> None:
    text = "Serial No;Read Time;Usage CCF;Flag\n" + "".join(
        f"M{m};06/{d:02d}/2025 {h:02d}:30;{h},5;A\n"
        for m in (1, 2)
        for d in (1, 15)
        for h in range(24)
    )
    export = proposed(tmp_path, text)
    assert export == {
        "name": "what",
        "path": str(tmp_path / "what.csv"),
        "delimiter": ";",
        "layout": "interval",
        "interval_min": 60.0,
        "stamp": "end",
        "columns": {
            "meter_id": "Serial No",
            "at": "Read Time",
            "volume": "Usage CCF",
            "quality": "Flag",
        },
        "unit": "ccf",
        "decimal": ",",
        "time_format": "%m/%d/%Y %H:%M",
    }
    utility = Utility(
        tmp_path / "u", {k: v for k, v in export.items() if k not in ("name", "path")}
    )
    utility.write("what.csv", text)
    assert utility.land().rows_rejected == 0
    assert len(utility.lake()) == 96


def test_register_is_told_by_readings_that_never_fall(tmp_path: Path) -> None:
    text = "meter,timestamp,value\n" + "".join(
        f"M{m},2025-06-01T{h:02d}:00:00Z,{1000 + 7 * h}\n" for m in (1, 2) for h in range(24)
    )
    export = proposed(tmp_path, text)
    assert export["layout"] == "register"
    assert export["columns"] == {"meter_id": "meter", "at": "timestamp", "reading": "value"}


def test_wide_is_told_by_its_columns(tmp_path: Path) -> None:
    head = "meter_no,usage_date," + ",".join(f"hour_{k}" for k in range(1, 26))
    export = proposed(tmp_path, head + "\nM1,2025-06-01," + ",".join(["1"] * 25) + "\n")
    assert (export["layout"], export["interval_min"]) == ("wide", 60)
    assert export["columns"] == {"meter_id": "meter_no", "date": "usage_date"}


def test_xml_is_espi(tmp_path: Path) -> None:
    assert proposed(tmp_path, "<?xml version='1.0'?><feed/>", "a.xml")["layout"] == "espi"


def test_western_text_with_points_between_thousands_lands_as_proposed(tmp_path: Path) -> None:
    text = "Zähler;Zeit;Verbrauch (m³)\n" + "".join(
        f"Z;{d:02d}.06.2025 {h:02d}:00;1.{h:03d},25\n" for d in (14, 15) for h in range(24)
    )
    path = tmp_path / "eu.csv"
    path.write_bytes(text.encode("cp1252"))
    proposal = propose_mapping(path)
    export = proposal.export
    assert (export["encoding"], export["unit"]) == ("cp1252", "m3")
    assert (export["decimal"], export["thousands"]) == (",", ".")
    assert "not UTF-8; assumed encoding: cp1252" in proposal.notes
    utility = Utility(
        tmp_path / "u", {k: v for k, v in export.items() if k not in ("name", "path")}
    )
    utility.write("eu.csv", path.read_bytes())
    assert utility.land().rows_rejected == 0
    volumes = [r["registered_gal"] for r in utility.lake()]
    assert len(volumes) == 48
    assert volumes[0] == pytest.approx(1000.25 * GAL_PER_UNIT[str(export["unit"])])


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("meter,ts,value,uom\nM,2025-06-01 01:00,1,CCF\n", "its own unit, in column uom: CCF"),
        ("meter,read_date,tod,reading\nM,2025-06-01,06:00,1\n", "in a separate column, tod"),
    ],
)
def test_what_has_to_be_checked_is_noted(tmp_path: Path, text: str, note: str) -> None:
    path = tmp_path / "what.csv"
    path.write_text(text)
    assert any(note in told for told in propose_mapping(path).notes)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("M1,2025-01-01 01:00,5\nM1,2025-01-01 02:00,6\n",
         "line 1: expected a header line with column names, got what looks like a row of"),
        ("# made by 4\n\nmeter,ts,value\nM,2025-06-01 01:00,1\n",
         "line 1: not a header; the header seems to be line 3: meter,ts,value"),
        ("meter_id,interval_end,volume\n", "no rows below the header"),
        ("meter\x00,ts,value\n1,2,3\n", "NUL bytes"),
    ],
)  # fmt: skip
def test_what_keeps_a_file_from_being_read_is_told(
    tmp_path: Path, text: str, told: str
) -> None:
    with pytest.raises(ConfigError, match=told):
        proposed(tmp_path, text)


@pytest.mark.parametrize("text", ["a,b\n1,2\n", "name,color\nx,red\n", ""])
def test_a_file_without_reads_is_told(tmp_path: Path, text: str) -> None:
    with pytest.raises(ConfigError, match=r"no time column found|file is empty"):
        proposed(tmp_path, text)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        propose_mapping(tmp_path / "none.csv")
