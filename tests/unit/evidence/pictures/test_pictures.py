"""Pictures show the numbers they are given."""

from __future__ import annotations

import base64
import re
import struct
import zlib

import numpy as np
import pytest

from rightsize.evidence.pictures.band_picture import bands_svg
from rightsize.evidence.pictures.duration_picture import exceedance
from rightsize.evidence.pictures.heat_image import data_uri, heat_pixels
from rightsize.evidence.pictures.palette import HEAT_HIGH, HEAT_LOW
from rightsize.evidence.pictures.unseen_picture import unseen_parts
from rightsize.evidence.pictures.year_picture import largest_days, year_svg
from rightsize.evidence.quantity import Units
from tests.unit.evidence.sites import PROFILE, bands, site, year

SUM_SLACK = 1e-9  # sums of a few shares in double precision


def unpacked(uri: str) -> np.ndarray:
    """HAND: an independent reader of an unfiltered RGBA PNG."""
    raw = base64.b64decode(uri.split(",", 1)[1])
    assert raw[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", raw[16:24])
    at, packed = 8, b""
    while at < len(raw):
        (size,) = struct.unpack(">I", raw[at : at + 4])
        kind, body = raw[at + 4 : at + 8], raw[at + 8 : at + 8 + size]
        (check,) = struct.unpack(">I", raw[at + 8 + size : at + 12 + size])
        assert check == zlib.crc32(kind + body)
        packed += body if kind == b"IDAT" else b""
        at += 12 + size
    rows = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, 1 + 4 * width)
    assert (rows[:, 0] == 0).all()
    return rows[:, 1:].reshape(height, width, 4)


def test_the_calendar_has_hours_down_and_days_across():
    hours = np.zeros((10, 24))
    hours[7, 3] = 5.0
    picture = unpacked(data_uri(heat_pixels(hours, top_gpm=5.0)))
    assert picture.shape == (24, 10, 4)
    assert tuple(picture[3, 7, :3]) == HEAT_HIGH
    assert tuple(picture[0, 0, :3]) == HEAT_LOW


def test_an_hour_not_read_is_no_hour_of_rest():
    hours = np.zeros((2, 24))
    hours[0, 0] = np.nan
    picture = heat_pixels(hours, top_gpm=1.0)
    assert picture[0, 0, 3] < 255
    assert picture[0, 1, 3] == 255


def test_more_flow_is_never_paler():
    flow = np.linspace(0, 10, 48).reshape(2, 24)
    light = heat_pixels(flow, top_gpm=10.0)[:, :, :3].astype(int).sum(axis=2).T.ravel()
    assert (np.diff(light) <= 0).all()


def test_exceedance_adds_up_the_time_of_higher_bands():
    found = exceedance(bands())  # HAND: 0.2 + 0.1 + 0.05 + 0.001
    assert found[0]["exceeded_pct"] == pytest.approx(35.1, abs=SUM_SLACK)
    assert found[-1]["exceeded_pct"] == pytest.approx(0.1, abs=SUM_SLACK)


def test_exceedance_stays_inside_its_range_and_falls_with_flow():
    found = exceedance(bands())
    for point in found:
        assert point["low_pct"] <= point["exceeded_pct"] <= point["high_pct"] <= 100
    shares = [p["exceeded_pct"] for p in found]
    assert shares == sorted(shares, reverse=True)


def test_the_parts_of_a_year_add_up_to_what_passed():
    parts = unseen_parts(PROFILE)  # HAND: 1,000,000 - 900,000 missed, 60,000 of it unseen
    assert parts == {"registered": 900000.0, "slipped": 40000.0, "below_start": 60000.0}


def test_a_meter_that_counts_too_much_has_missed_nothing():
    parts = unseen_parts({**PROFILE, "registered_gal_per_year": 1.1e6})
    assert parts["slipped"] == parts["below_start"] == 0.0


def bar_shares(svg: str) -> list[float]:
    """Heights of the water bars over the height of the tallest, left to right."""
    marks = re.findall(r'<path d="M([\d.]+),([\d.]+)h([\d.]+)v([\d.]+)h[^"]*"[^>]*water', svg)
    assert marks, "no bar is drawn"
    heights = [float(m[3]) for m in sorted(marks, key=lambda m: float(m[0]))]
    return [h / max(heights) for h in heights]


def test_the_bars_stand_as_high_as_the_volume_shares():
    svg = bands_svg(site(), Units("us"), label="bands")
    want = [0.1 / 0.5, 0.2 / 0.5, 1.0, 0.2 / 0.5]
    assert bar_shares(svg) == pytest.approx(want, abs=0.01)  # whole pixels of 178


def test_a_kept_meter_shows_one_curve():
    row = dict(site().recommendation)
    row |= {f"recommended_{n}": row[f"installed_{n}"] for n in ("type", "size_in", "grade")}
    svg = bands_svg(site(recommendation=row), Units("us"), label="bands")
    assert "--installed" in svg
    assert "--recommended" not in svg


def test_a_picture_says_in_words_what_it_shows_and_escapes_them():
    svg = bands_svg(site(), Units("us"), label='a "b" <c>')
    assert 'role="img"' in svg
    assert "<c>" not in svg


def test_the_largest_days_come_first_and_poorly_read_days_never():
    read = year()
    assert largest_days(read)[0] == 10
    read.covered_share[10] = 0.5
    assert 10 not in largest_days(read)


def test_a_year_is_drawn_as_one_image():
    svg = year_svg(year(), Units("us"), label="year")
    assert svg.count("<image") == 1
    assert svg.count("data:image/png") == 1
