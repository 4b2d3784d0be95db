"""Layout espi: NAESB REQ.21, codes of the public schema espi.xsd 3.3 (READ)."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from rightsize.errors import ConfigError
from tests.pipelines.exports import Utility
from tests.pipelines.sources.espi_feed import (
    Reading,
    block,
    feed,
    meter_reading,
    reading_type,
    usage_point,
)

START = 1748736000  # 2025-06-01 00:00 UTC
BOMB = """<?xml version="1.0"?>
<!DOCTYPE lolz [<!ENTITY lol "lol"><!ENTITY lol2 "&lol;&lol;&lol;&lol;&lol;&lol;&lol;&lol;">
<!ENTITY lol3 "&lol2;&lol2;&lol2;&lol2;&lol2;&lol2;&lol2;&lol2;&lol2;&lol2;">]>
<feed xmlns="http://www.w3.org/2005/Atom"><title>&lol3;</title></feed>
"""


def landed(folder: Path, text: str, name: str = "espi.xml", **export: object) -> Utility:
    utility = Utility(folder, {"layout": "espi", **export})
    utility.write(name, text)
    utility.land()
    return utility


def simple(*readings: Reading, point: str = "M1", **kind: object) -> str:
    return feed(
        usage_point(point),
        meter_reading(point, "T"),
        block(point, START, readings),
        reading_type("T", **kind),  # type: ignore[arg-type]
    )


def test_value_power_of_ten_and_unit_make_the_volume(tmp_path: Path) -> None:
    """CALC (check-values 10a): 125 * 10^-1 ft3 in 3600 s is 93.506 gal, 1.5584 gpm."""
    utility = landed(tmp_path, simple(Reading(125, START), uom=119, power=-1))
    read = utility.lake()[0]
    assert read["start_at"] == datetime(2025, 6, 1)
    assert read["registered_gal"] == pytest.approx(93.506, abs=5e-4)
    assert read["registered_gal"] / read["interval_min"] == pytest.approx(1.5584, abs=5e-5)


@pytest.mark.parametrize(
    ("uom", "power", "gal"),
    [  # STANDARD: 1 CCF is uom 119 with multiplier 2, kgal is uom 128 with 3 (check-values 10a)
        (119, 2, 748.0519480519481),
        (128, 3, 1000.0),
        (42, 0, 264.1720523581484),
        (134, 3, 264.1720523581484),
        (128, 0, 1.0),
    ],
)
def test_volume_units_of_the_schema(tmp_path: Path, uom: int, power: int, gal: float) -> None:
    utility = landed(tmp_path, simple(Reading(1, START), uom=uom, power=power))
    assert utility.lake()[0]["registered_gal"] == pytest.approx(gal, rel=1e-12)


@pytest.mark.parametrize(
    ("codes", "quality"),
    [
        ((), "measured"), ((0,), "measured"), ((14,), "measured"), ((17,), "measured"),
        ((19,), "measured"), ((7,), "edited"), ((8,), "estimated"), ((9,), "estimated"),
        ((10,), "questionable"), ((999,), "questionable"), ((0, 10), "questionable"),
    ],
)  # fmt: skip
def test_qualities_of_the_schema(tmp_path: Path, codes: tuple[int, ...], quality: str) -> None:
    utility = landed(tmp_path, simple(Reading(1, START, quality=codes)))
    assert utility.lake()[0]["quality"] == quality


def test_readings_without_a_time_follow_their_block(tmp_path: Path) -> None:
    utility = landed(tmp_path, simple(*(Reading(k) for k in range(4)), length=900))
    assert [r["start_at"] for r in utility.lake()] == [
        datetime(2025, 6, 1, 0, m) for m in (0, 15, 30, 45)
    ]
    assert {r["interval_min"] for r in utility.lake()} == {15.0}


def test_without_a_length_the_block_is_shared_evenly(tmp_path: Path) -> None:
    utility = landed(tmp_path, simple(*(Reading(k) for k in range(3)), length=None))
    assert {r["interval_min"] for r in utility.lake()} == {60.0}


def test_dial_readings_go_to_the_register_lake(tmp_path: Path) -> None:
    readings = [Reading(999990, START), Reading(5, START + 3600)]
    utility = landed(tmp_path, simple(*readings, point="M4", behaviour=1))
    read = utility.lake("register")
    assert [r["reading_gal"] for r in read] == [999990.0, 5.0]
    assert read[0]["read_at"] == datetime(2025, 6, 1, 1)
    assert read[0]["dial_limit_gal"] == 1e6  # six dials, by meters.csv
    assert utility.lake("interval") == []


def test_unknown_codes_are_legal_and_refuse_only_what_needs_them(tmp_path: Path) -> None:
    text = feed(
        usage_point("M1"),
        usage_point("M2"),
        meter_reading("M1", "known"),
        meter_reading("M2", "strange"),
        block("M1", START, [Reading(1, START, quality=(999,))]),
        block("M2", START, [Reading(2, START)]),
        reading_type("known", more="<measuringPeriod>999</measuringPeriod>"),
        reading_type("strange", uom=999),
    )
    utility = landed(tmp_path, text)
    assert [r["meter_id"] for r in utility.lake()] == ["M1"]
    assert [(r["meter_id"], r["rule"], r["value"]) for r in utility.rejected()] == [
        ("M2", "unit_unknown", "uom 999")
    ]


def test_other_services_and_reverse_channels_are_refused_by_name(tmp_path: Path) -> None:
    text = feed(
        usage_point("M1"),
        usage_point("E1", service=0),
        usage_point("M2"),
        meter_reading("M1", "T"),
        meter_reading("E1", "T"),
        meter_reading("M2", "R"),
        *(block(p, START, [Reading(1, START)]) for p in ("M1", "E1", "M2")),
        reading_type("T"),
        reading_type("R", more="<flowDirection>19</flowDirection>"),
    )
    utility = landed(tmp_path, text)
    assert [r["meter_id"] for r in utility.lake()] == ["M1"]
    assert sorted((r["meter_id"], r["rule"]) for r in utility.rejected()) == [
        ("E1", "service_not_water"),
        ("M2", "flow_reverse"),
    ]


def test_volumes_win_over_dial_readings_of_the_same_file(tmp_path: Path) -> None:
    text = feed(
        usage_point("M1"),
        meter_reading("M1", "T", "1"),
        meter_reading("M1", "D", "2"),
        block("M1", START, [Reading(1, START)], "1"),
        block("M1", START, [Reading(5000, START)], "2"),
        reading_type("T"),
        reading_type("D", behaviour=1),
    )
    utility = landed(tmp_path, text)
    assert [r["registered_gal"] for r in utility.lake()] == [1.0]
    assert [r["rule"] for r in utility.rejected()] == ["reading_beside_volumes"]


def test_the_meter_may_stand_in_the_title(tmp_path: Path) -> None:
    text = feed(
        usage_point("77", title="M2"),
        meter_reading("77", "T"),
        block("77", START, [Reading(1, START)]),
        reading_type("T"),
    )
    utility = landed(tmp_path, text, columns={"meter_id": "title"})
    assert utility.lake()[0]["meter_id"] == "M2"


def test_packed_feeds_are_read(tmp_path: Path) -> None:
    assert len(landed(tmp_path, simple(Reading(1, START)), "espi.xml.gz").lake()) == 1


def test_what_came_before_a_break_is_landed_and_the_break_is_told(tmp_path: Path) -> None:
    text = feed(
        usage_point("M1"),
        reading_type("T"),
        meter_reading("M1", "T"),
        block("M1", START, [Reading(1, START)]),
        block("M1", START + 3600, [Reading(1, START + 3600)]),
    )
    utility = Utility(tmp_path, {"layout": "espi"})
    utility.write("espi.xml", text[:-120])
    summary = utility.land()
    assert len(utility.lake()) == 1
    assert "XML is truncated or invalid after reading 1 " in (summary.files[0].problem or "")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (BOMB, "has a DOCTYPE or entities"),
        ('<!DOCTYPE a SYSTEM "file:///etc/passwd"><a/>', "has a DOCTYPE or entities"),
        ("<feed>", "invalid XML: "),
        ("meter_id,at\n", "invalid XML: "),
        ("<feed/>", "no ESPI usage point or reading"),
    ],
)
def test_what_is_no_feed_is_told(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(ConfigError, match=told):
        landed(tmp_path, text)
