"""A meter list as other systems export it: mapped by the configuration, told once a value."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.configuration.load_settings import MeterListSettings
from pipelines.configuration.meter_list import load_meters
from rightsize.errors import ConfigError

FOREIGN = (
    "Meters in service\n\n"
    "Acct;Serial;Kind;Nominal;Set\n"
    "A1;M1;PD;5/8;04/30/2019\n"
    "A2;M2;T2;2;12/01/2020\n"
)
WRITTEN: dict[str, Any] = {
    "columns": {
        "account_id": "Acct",
        "meter_id": "Serial",
        "meter_type": "Kind",
        "size_in": "Nominal",
        "installed_on": "Set",
    },
    "type_codes": {"PD": "displacement", "T2": "turbine"},
    "date_format": "%m/%d/%Y",
    "skip_lines": 1,
}


def listed(folder: Path, content: str | bytes) -> Path:
    path = folder / "list.csv"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def test_a_foreign_list_is_read_as_it_lies(tmp_path: Path) -> None:
    path = listed(tmp_path, FOREIGN)
    frame = load_meters(path, {}, MeterListSettings.model_validate(WRITTEN)).frame
    assert frame.select(
        "account_id", "meter_type", "size_in", "installed_on", "line"
    ).rows() == [
        ("A1", "displacement", 0.625, date(2019, 4, 30), 4),
        ("A2", "turbine", 2.0, date(2020, 12, 1), 5),
    ]


def test_a_wrong_value_is_told_once_with_its_count(tmp_path: Path) -> None:
    rows = "".join(f"A{k},M{k},{'XX' if k % 2 else 'turbine'},2\n" for k in range(100))
    path = listed(tmp_path, f"account_id,meter_id,meter_type,size_in\n{rows}")
    with pytest.raises(ConfigError) as refused:
        load_meters(path, {})
    said = str(refused.value)
    assert said.count("\n") == 0
    assert "line 3: meter_type 'XX' is unknown" in said
    assert "meter_list.type_codes (and on 49 lines more)" in said


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"columns": {"account_id": "Account"}}, "no column 'Account' (our account_id)"),
        ({"columns": {"akkount": "Acct"}}, "maps 'akkount', which the list does not have"),
        ({"columns": {}}, "meter_list.columns says which of them it is"),
        ({"date_format": "%d.%m.%Y"}, "'04/30/2019' must be a date of the format %d.%m.%Y"),
    ],
)
def test_what_the_mapping_gets_wrong_is_told(
    tmp_path: Path, change: dict[str, Any], told: str
) -> None:
    path = listed(tmp_path, FOREIGN)
    written = MeterListSettings.model_validate({**WRITTEN, **change})
    with pytest.raises(ConfigError) as refused:
        load_meters(path, {}, written)
    assert told in str(refused.value)


def test_another_encoding_is_told_by_line_and_read_once_named(tmp_path: Path) -> None:
    text = (
        "account_id,meter_id,meter_type,size_in,area\nA1,M1,turbine,2,\nA2,M2,turbine,2,Cañón\n"
    )
    path = listed(tmp_path, text.encode("cp1252"))
    with pytest.raises(
        ConfigError, match=r"list.csv line 3: not text in utf-8 .* cp1252 would"
    ):
        load_meters(path, {})
    named = MeterListSettings(encoding="cp1252")
    assert load_meters(path, {}, named).frame["area"].to_list() == [None, "Cañón"]


def test_a_type_that_is_none_of_ours_is_refused() -> None:
    with pytest.raises(ValueError, match="type_codes maps 'PD' to 'piston'; allowed: displ"):
        MeterListSettings(type_codes={"PD": "piston"})


@settings(max_examples=25, deadline=None)
@given(
    days=st.lists(st.dates(date(1970, 1, 1), date(2030, 1, 1)), min_size=1, max_size=4),
    delimiter=st.sampled_from([",", ";", "|", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"]),
    date_format=st.sampled_from(["%m/%d/%Y", "%d.%m.%Y", "%Y%m%d", "%d-%b-%Y"]),
    above=st.integers(0, 3),
)
def test_how_a_list_is_written_changes_nothing_of_what_it_says(
    days: list[date], delimiter: str, encoding: str, date_format: str, above: int
) -> None:
    ours = "account_id,meter_id,meter_type,size_in,installed_on,area\n" + "".join(
        f"A{k},M{k},turbine,2,{day:%Y-%m-%d},Peña\n" for k, day in enumerate(days)
    )
    heads = ["Acct", "Serial", "Kind", "Nominal", "Set", "Zone"]
    theirs = ["a report"] * above + [delimiter.join(heads)]
    theirs += [
        delimiter.join([f"A{k}", f"M{k}", "T", "2", day.strftime(date_format), "Peña"])
        for k, day in enumerate(days)
    ]
    names = ["account_id", "meter_id", "meter_type", "size_in", "installed_on", "area"]
    written = MeterListSettings(
        columns=dict(zip(names, heads, strict=True)),
        type_codes={"T": "turbine"},
        date_format=date_format,
        delimiter=delimiter,
        encoding=encoding,
        skip_lines=above,
    )
    with tempfile.TemporaryDirectory() as name:
        plain = listed(Path(name), ours)
        expected = load_meters(plain, {}).frame.drop("line")
        foreign = listed(Path(name), ("\r\n".join(theirs) + "\r\n").encode(encoding))
        assert load_meters(foreign, {}, written).frame.drop("line").equals(expected)
