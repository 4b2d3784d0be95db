"""An unknown file is looked at, and the proposal lands it."""

from __future__ import annotations

import datetime as dt
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


def test_a_unit_a_row_is_read_by_the_row(tmp_path: Path) -> None:
    """ccf and kgal in one file; the column of units is known by what it says."""
    text = "meter,ts,value,what\nM,2025-06-01 01:00,1,CCF\nN,2025-06-01 01:00,1,kgal\n"
    export = proposed(tmp_path, text)
    assert export["columns"]["unit"] == "what"
    assert proposed(tmp_path, text.replace("what", "uom"))["columns"]["unit"] == "uom"
    assert landed_gal(tmp_path / "u", export, text) == pytest.approx(
        [GAL_PER_UNIT["ccf"], 1000]
    )


@pytest.mark.parametrize(
    ("day", "clock", "time_format"),
    [
        ("2025-06-13", "06:00", None),
        ("06/13/2025", "06:00", "%m/%d/%Y %H:%M"),
        ("2025/06/13", "6:00 AM", "%Y/%m/%d %I:%M %p"),
    ],
)
def test_a_time_of_day_that_stands_apart_is_joined(
    tmp_path: Path, day: str, clock: str, time_format: str | None
) -> None:
    text = f"meter,read_date,tod,volume\nM,{day},{clock},1\n"
    export = proposed(tmp_path, text)
    assert export["columns"]["time"] == "tod"
    assert export.get("time_format") == time_format
    assert landed_gal(tmp_path / "u", export, text) == [1.0]


def test_one_date_of_many_tells_day_from_month(tmp_path: Path) -> None:
    """01/13 stands on the last of 4,000 lines, far from the first ones."""
    lines = [f"M{k},01/{1 + k % 12:02d}/2025 01:00,1\n" for k in range(4000)]
    both = "meter,ts,volume\n" + "".join(lines)
    assert any("CHOOSE" in note for note in notes_of(tmp_path, both))
    told = both + "M1,01/13/2025 01:00,1\n"
    assert proposed(tmp_path, told)["time_format"] == "%m/%d/%Y %H:%M"
    assert not any("no date of the file" in note for note in notes_of(tmp_path, told))
    assert proposed(tmp_path, both + "M1,13/01/2025 01:00,1\n")["time_format"][:5] == "%d/%m"


def test_a_title_above_the_header_is_left_out(tmp_path: Path) -> None:
    text = "# made by 4\n\nmeter,ts,volume\nM,2025-06-01 01:00,1\nM,2025-06-01 02:00,2\n"
    export = proposed(tmp_path, text)
    assert export["skip_lines"] == 2
    assert landed_gal(tmp_path / "u", export, text) == [1.0, 2.0]


@pytest.mark.parametrize(("first", "stamp"), [(0, "start"), (1, "end")])
def test_whole_days_tell_starts_from_ends(tmp_path: Path, first: int, stamp: str) -> None:
    begin = dt.datetime(2025, 6, 1, first)
    stamps = [begin + dt.timedelta(hours=k) for k in range(48)]
    text = "meter,ts,volume\n" + "".join(f"M,{at:%Y-%m-%d %H:%M},1\n" for at in stamps)
    assert proposed(tmp_path, text)["stamp"] == stamp


def test_what_was_sampled_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "meter,ts,volume\n" + "M,2025-06-01 01:00,1\n" * 200_000
    path = tmp_path / "large.csv"
    path.write_text(text)
    assert propose_mapping(path).told == "read whole"
    monkeypatch.setattr("pipelines.commands.look.sample.WHOLE_BYTES", 1 << 20)
    monkeypatch.setattr("pipelines.commands.look.sample._PART_BYTES", 1 << 12)
    assert propose_mapping(path).told == "32 parts of it, spread from start to end, were read"


def landed_gal(folder: Path, export: dict[str, object], text: str) -> list[float]:
    """Volumes that land as proposed."""
    said = {k: v for k, v in export.items() if k not in ("name", "path")}
    utility = Utility(folder, said)
    utility.write("a.csv", text)
    assert utility.land().rows_rejected == 0
    return [r["registered_gal"] for r in utility.lake()]


def notes_of(folder: Path, text: str) -> tuple[str, ...]:
    path = folder / "what.csv"
    path.write_text(text)
    return propose_mapping(path).notes


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            "M1,2025-01-01 01:00,5\nM1,2025-01-01 02:00,6\n",
            "line 1: expected a header line with column names, got what looks like a row",
        ),
        ("meter_id,interval_end,volume\n", "a header and no row"),
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
