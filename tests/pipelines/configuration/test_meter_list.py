"""meters.csv: read whole, or refused by file, line and column."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from pipelines.configuration.meter_list import load_meters
from rightsize.errors import ConfigError
from rightsize.units import GAL_PER_UNIT

HEAD = "account_id,meter_id,meter_type,size_in"


def meters_file(folder: Path, text: str) -> Path:
    path = folder / "meters.csv"
    path.write_text(text)
    return path


def test_columns_get_types_units_and_defaults(tmp_path: Path) -> None:
    path = meters_file(
        tmp_path,
        HEAD
        + ",installed_on,resolution,resolution_unit,multiplier,customer_class,is_critical\n"
        "A1,M1,turbine,1-1/2,2019-04-30,1,ft3,10,COM2,yes\n"
        "A2,M2,fire_service,6,,,,,,\n",
    )
    listed = load_meters(path, {"COM2": "restaurant"})
    first, second = listed.frame.to_dicts()
    assert first["size_in"] == 1.5
    assert first["installed_on"] == date(2019, 4, 30)
    assert first["resolution_gal"] == pytest.approx(GAL_PER_UNIT["ft3"])
    assert (first["multiplier"], first["customer_class"]) == (10.0, "restaurant")
    assert first["is_critical"] is True
    assert (second["multiplier"], second["service_kind"]) == (1.0, "fire")
    assert second["customer_class"] == "unknown"
    assert second["is_critical"] is False
    assert listed.findings == ()


@pytest.mark.parametrize(
    ("text", "size_in"),
    [("5/8", 0.625), ("0.75", 0.75), ("1 1/2", 1.5), ('3/4"', 0.75), ("5/8x3/4", 0.625)],
)
def test_sizes_are_read_as_the_trade_writes_them(
    tmp_path: Path, text: str, size_in: float
) -> None:
    quoted = '"' + text.replace('"', '""') + '"'
    path = meters_file(tmp_path, f"{HEAD}\nA1,M1,displacement,{quoted}\n")
    assert load_meters(path, {}).frame["size_in"][0] == size_in


def test_fire_arrangement_and_kind_are_as_recorded(tmp_path: Path) -> None:
    """A blank kind is unknown, not domestic; a line recorded as combined is a combined one."""
    lines = (
        "A1,M1,turbine,2,,",
        "A2,M2,turbine,2,domestic,separate",
        "A3,M3,turbine,2,domestic,combined",
        "A4,M4,turbine,2,,none",
        "A5,M5,fire_service,6,,combined",
    )
    text = "\n".join((f"{HEAD},service_kind,fire_arrangement", *lines))
    rows = load_meters(meters_file(tmp_path, text + "\n"), {}).frame
    assert rows["service_kind"].to_list() == [
        "unknown", "domestic", "combined", "unknown", "fire",
    ]  # fmt: skip
    assert rows["fire_arrangement"].to_list() == [
        None, "separate", "combined", "none", "combined",
    ]  # fmt: skip


def test_an_unmapped_class_is_unknown_with_a_finding(tmp_path: Path) -> None:
    path = meters_file(tmp_path, f"{HEAD},customer_class\nA1,M1,turbine,2,XZ9\n")
    listed = load_meters(path, {})
    assert listed.frame["customer_class"][0] == "unknown"
    assert [(f.account_id, f.code, f.evidence) for f in listed.findings] == [
        ("A1", "unmapped_class", {"code": "XZ9"})
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            f"{HEAD}\nA1,M1,magic,2\n",
            r"line 2: meter_type 'magic' is unknown; allowed: displ",
        ),
        (f"{HEAD}\nA1,M1,turbine,two\n", r"line 2: size_in 'two' must be a number above 0"),
        (f"{HEAD}\nA1,M1,turbine,-2\n", r"line 2: size_in '-2' must be a number above 0"),
        (f"{HEAD}\nA1,,turbine,2\n", r"line 2: meter_id is empty"),
        (
            f"{HEAD},multiplier\nA1,M1,turbine,2,0\n",
            r"line 2: multiplier '0' must be a number above 0 and at most 1,000,000",
        ),
        (
            f"{HEAD},installed_on\nA1,M1,turbine,2,2024-13-01\n",
            r"installed_on '2024-13-01' must be a date",
        ),
        (f"{HEAD},service_kind\nA1,M1,turbine,2,pool\n", r"service_kind 'pool' is unknown"),
        (
            f"{HEAD},fire_arrangement\nA1,M1,turbine,2,maybe\n",
            r"line 2: fire_arrangement 'maybe' is unknown; allowed: separate, combined, none",
        ),
        (
            f"{HEAD},service_kind,fire_arrangement\nA1,M1,turbine,2,combined,none\n",
            r"line 2: service_kind 'combined' contradicts fire_arrangement 'none'",
        ),
        (
            f"{HEAD}\nA1,M1,turbine,2\nA2,M1,turbine,2\n",
            r"line 3: duplicate meter_id 'M1': overlaps in time with l",
        ),
        (
            f"{HEAD},multipler\nA1,M1,turbine,2,1\n",
            r"unknown column 'multipler'; did you mean 'multiplier'",
        ),
        (
            "account_id,meter_id,size_in\nA1,M1,2\n",
            r"missing column 'meter_type'; the file has",
        ),
        (f"{HEAD},size_in\nA1,M1,turbine,2,2\n", r"duplicate column 'size_in'"),
        (HEAD + "\n", r"no meters listed"),
        ("", r"file is empty"),
    ],
)
def test_what_cannot_be_used_is_told_by_line(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(ConfigError, match=told):
        load_meters(meters_file(tmp_path, text), {})


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load_meters(tmp_path / "meters.csv", {})


def test_a_meter_may_move_when_its_stays_do_not_overlap(tmp_path: Path) -> None:
    path = meters_file(
        tmp_path,
        f"{HEAD},installed_on,removed_on\nA1,M1,turbine,2,2019-01-01,2021-01-01\n"
        "A2,M1,turbine,2,2021-01-01,\n",
    )
    assert load_meters(path, {}).frame.height == 2


def test_columns_that_are_not_ours_are_named(tmp_path: Path) -> None:
    path = meters_file(tmp_path, f"{HEAD},route\nA1,M1,turbine,2,R7\n")
    assert "'route'" in load_meters(path, {}).notes[0]


METRIC_HEAD = "account_id,meter_id,meter_type,size_mm,service_line_mm,spare_head_bar"


def test_metric_columns_stand_for_ours(tmp_path: Path) -> None:
    path = meters_file(
        tmp_path,
        f"{METRIC_HEAD},floor_area_m2\nA1,M1,turbine,50,DN80,1.4,100\nA2,M2,turbine,DN 15,,,\n",
    )
    first, second = load_meters(path, {}).frame.to_dicts()
    assert (first["size_in"], first["service_line_in"]) == (2.0, 3.0)
    assert first["spare_head_psi"] == pytest.approx(20.305, abs=0.001)  # HAND: 1.4 bar
    assert first["floor_area_ft2"] == pytest.approx(1076.39, abs=0.01)  # HAND: 100 m2
    assert (second["size_in"], second["service_line_in"]) == (0.625, None)
    assert second["spare_head_psi"] is None


def test_a_row_may_give_its_size_in_either_unit(tmp_path: Path) -> None:
    path = meters_file(tmp_path, f"{HEAD},size_mm\nA1,M1,turbine,,80\nA2,M2,turbine,4,\n")
    assert load_meters(path, {}).frame["size_in"].to_list() == [3.0, 4.0]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("A1,M1,turbine,63,,", "line 2: size_mm '63' must be one of 13, 15, 20, 25"),
        ("A1,M1,turbine,2 in,,", "line 2: size_mm '2 in' must be one of"),
        ("A1,M1,turbine,,,", "line 2: size_mm is empty"),
        ("A1,M1,turbine,50,,much", "line 2: spare_head_bar 'much' must be a number"),
        ("A1,M1,turbine,50,,-1", "line 2: spare_head_psi '-14.5"),
    ],
)
def test_a_metric_value_that_cannot_be_used_is_named(
    tmp_path: Path, row: str, said: str
) -> None:
    path = meters_file(tmp_path, f"{METRIC_HEAD}\n{row}\n")
    with pytest.raises(ConfigError) as refused:
        load_meters(path, {})
    assert said in str(refused.value)


def test_a_size_in_both_units_is_refused(tmp_path: Path) -> None:
    path = meters_file(tmp_path, f"{HEAD},size_mm\nA1,M1,turbine,2,50\n")
    with pytest.raises(ConfigError, match="line 2: give size_mm or size_in, not both"):
        load_meters(path, {})


@pytest.mark.parametrize("removed_on", ["9999-12-31", "2999-12-31", "2099-12-31", ""])
def test_an_open_end_means_still_in_service(tmp_path: Path, removed_on: str) -> None:
    path = meters_file(
        tmp_path,
        f"{HEAD},installed_on,removed_on\nA1,M1,turbine,2,2019-04-30,{removed_on}\n"
        "A2,M2,turbine,2,2019-04-30,2024-05-01\n",
    )
    assert load_meters(path, {}).frame["removed_on"].to_list() == [None, date(2024, 5, 1)]


def test_facts_of_the_site_are_read_and_a_wrong_one_is_named(tmp_path: Path) -> None:
    columns = "upsize_evidence,manifold,lay_length_mm,end_connection,in_street"
    path = meters_file(
        tmp_path,
        f"{HEAD},{columns}\nA1,M1,turbine,2,complaint,west,254,flanged,yes\nA2,M2,turbine,2,,,,,\n",
    )
    first, second = load_meters(path, {}).frame.to_dicts()
    assert (first["upsize_evidence"], first["manifold"]) == ("complaint", "west")
    assert first["lay_length_in"] == pytest.approx(10.0)
    assert (first["end_connection"], first["in_street"]) == ("flanged", "yes")
    assert [second[name] for name in ("upsize_evidence", "lay_length_in", "in_street")] == [
        None, None, None,
    ]  # fmt: skip
    meters_file(tmp_path, f"{HEAD},in_street\nA1,M1,turbine,2,perhaps\n")
    with pytest.raises(ConfigError, match="line 2: in_street 'perhaps' is unknown"):
        load_meters(path, {})
