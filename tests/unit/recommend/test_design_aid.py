"""Sizes for accounts without reads, clearly marked."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.errors import ConfigError
from rightsize.recommend.design_aid import design_meters, peer_peak
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import catalogue

LIMITS = Thresholds()


def test_the_smallest_meter_of_each_type_that_carries_the_flow() -> None:
    """HAND: 90 gpm: 1 1/2 in displacement (100), 2 in turbine (190), 2 in compound (160)."""
    found = design_meters(catalogue(), LIMITS, peak_gpm=90.0)
    sizes = dict(zip(found["meter_type"], found["size_in"], strict=True))
    assert sizes == {"displacement": 1.5, "turbine": 2.0, "compound": 2.0}
    assert found["note"].str.contains("Design aid").all()


def test_lasting_flow_head_and_line_count() -> None:
    lasting = design_meters(catalogue(), LIMITS, peak_gpm=90.0, sustained_gpm=70.0)
    sizes = dict(zip(lasting["meter_type"], lasting["size_in"], strict=True))
    assert sizes["displacement"] == 2.0
    tight = design_meters(catalogue(), LIMITS, peak_gpm=90.0, spare_head_psi=4.0)
    assert "displacement" not in tight.filter(pl.col("size_in") < 2)["meter_type"]
    narrow = design_meters(catalogue(), LIMITS, peak_gpm=90.0, service_line_in=1.5)
    assert narrow["meter_type"].to_list() == ["displacement"]


def test_the_utilitys_lists_count() -> None:
    only = Thresholds(allowed_types=("compound",))
    found = design_meters(catalogue(), only, peak_gpm=90.0)
    assert found["meter_type"].to_list() == ["compound"]


def test_nothing_carries_it() -> None:
    assert design_meters(catalogue(), LIMITS, peak_gpm=1e6).height == 0
    with pytest.raises(ConfigError, match="design peak must be above 0 gpm, got 0"):
        design_meters(catalogue(), LIMITS, peak_gpm=0.0)


def peers(count: int) -> pl.DataFrame:
    rng = np.random.default_rng(3)
    area = rng.uniform(1000, 50_000, count)
    return pl.DataFrame(
        {
            "customer_class": ["office"] * count,
            "floor_area_ft2": area,
            "peak_10s_gpm": 0.3 * np.sqrt(area),
        }
    )


def test_peers_of_like_area_give_the_peak() -> None:
    """PLANTED: peaks are 0.3 times the root of the area, without scatter."""
    found = peer_peak(peers(200), customer_class="office", floor_area_ft2=10_000)
    assert found.peak_10s_gpm == pytest.approx(30.0)
    assert found.low_gpm == pytest.approx(found.high_gpm)
    assert found.peer_count == 40


def test_without_area_the_class_gives_a_wide_range() -> None:
    found = peer_peak(peers(200), customer_class="office")
    assert found.low_gpm < found.peak_10s_gpm < found.high_gpm
    assert found.peer_count == 200


def test_too_few_peers_are_said() -> None:
    with pytest.raises(ConfigError, match="only 9 similar assessed accounts"):
        peer_peak(peers(9), customer_class="office")
    with pytest.raises(ConfigError, match="only 0 similar assessed accounts"):
        peer_peak(peers(50), customer_class="hotel")
    with pytest.raises(ConfigError, match="floor_area_ft2 must be above 0"):
        peer_peak(peers(50), customer_class="office", floor_area_ft2=-1)
