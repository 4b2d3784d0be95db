"""Compound meters: two elements, a dip at the hand-over, hysteresis, the parallel path."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import (
    load_catalogue,
    load_curve_rules,
    load_ratings,
)
from rightsize.errors import CatalogueError
from rightsize.meters.build.compound import compound_ratio, element_ratio, low_element_flow_gpm
from rightsize.meters.build.entry import MeterEntry
from rightsize.meters.build.from_entry import build_meter
from rightsize.meters.catalogue import CompoundParts
from rightsize.meters.curve import registration_ratio

COMPOUNDS = [m for m in load_catalogue().meters if m.meter_type == "compound"]
SAMPLING = 0.012  # the catalogue's points sample the two-state curve; worst at its jump
MONEY = {"price_usd": 1, "install_usd": 1, "upkeep_usd_per_year": 1, "life_years": 1}


@pytest.fixture(params=COMPOUNDS, ids=lambda m: m.label)
def parts(request: pytest.FixtureRequest) -> CompoundParts:
    found = request.param.compound
    assert isinstance(found, CompoundParts)
    return found


def band(parts: CompoundParts, count: int = 2000) -> np.ndarray:
    return np.linspace(parts.changeover_falling_gpm, 1.3 * parts.changeover_rising_gpm, count)


def test_below_the_changeover_only_the_low_element_counts(parts: CompoundParts) -> None:
    flow = np.geomspace(0.01, parts.changeover_falling_gpm, 200)
    low = element_ratio(flow, parts.low, parts.low_starting_gpm)
    for direction in ("rising", "falling", "both"):
        assert compound_ratio(flow, parts, direction=direction) == pytest.approx(low)


def test_falling_flow_dips_to_the_floor_and_rising_flow_does_not(parts: CompoundParts) -> None:
    flow = band(parts)
    falling = compound_ratio(flow, parts, direction="falling")
    rising = compound_ratio(flow, parts, direction="rising")
    assert falling.min() < rising.min()
    assert falling.min() >= 0.90 - 1e-3
    between = flow < parts.changeover_rising_gpm
    assert (falling[between] <= rising[between] + 1e-9).all()


def test_the_standard_compound_reaches_its_floor_of_90_pct() -> None:
    # STANDARD MEM-M: C702, not less than 90 % in the changeover
    meter = next(m for m in COMPOUNDS if m.grade == "standard" and m.size_in == 2)
    assert meter.compound is not None
    flow = band(meter.compound, 20_000)
    assert compound_ratio(flow, meter.compound, direction="falling").min() == pytest.approx(
        0.90, abs=2e-3
    )


def test_the_two_directions_differ_only_inside_the_band(parts: CompoundParts) -> None:
    flow = np.geomspace(0.01, 100 * parts.changeover_rising_gpm, 3000)
    differ = ~np.isclose(
        compound_ratio(flow, parts, direction="rising"),
        compound_ratio(flow, parts, direction="falling"),
    )
    inside = (flow > parts.changeover_falling_gpm) & (flow <= parts.changeover_rising_gpm)
    assert differ.any()
    assert not differ[~inside].any()


def test_both_is_the_mean_of_the_directions(parts: CompoundParts) -> None:
    flow = band(parts)
    one, two = (compound_ratio(flow, parts, direction=d) for d in ("rising", "falling"))
    assert compound_ratio(flow, parts) == pytest.approx((one + two) / 2)


def test_above_the_changeover_water_still_passes_the_low_element(parts: CompoundParts) -> None:
    flow = np.geomspace(
        1.1 * parts.changeover_rising_gpm, parts.low[-1][0] / parts.low_share, 50
    )
    low = low_element_flow_gpm(flow, parts, "rising")
    assert (low >= parts.changeover_falling_gpm - 1e-9).all()
    assert (low < flow).all()
    assert (np.diff(low) >= 0).all()
    # stated rule: the low element reaches its own SMOC when the whole does
    assert low[-1] == pytest.approx(parts.low[-1][0])


def test_no_water_is_lost_between_the_elements(parts: CompoundParts) -> None:
    flow = np.geomspace(0.01, 1e4, 500)
    for direction in ("rising", "falling"):
        low = low_element_flow_gpm(flow, parts, direction)
        assert (low >= 0).all()
        assert (low <= flow).all()


@pytest.mark.parametrize("meter", COMPOUNDS, ids=lambda m: m.label)
def test_the_points_of_the_catalogue_follow_the_two_elements(meter) -> None:
    assert meter.compound is not None
    flow = np.geomspace(meter.starting_gpm, meter.smoc_gpm, 3000)
    curve, parts = registration_ratio(flow, meter), meter.compound
    exact = compound_ratio(flow, parts)
    jump = np.abs(flow / (parts.changeover_falling_gpm + parts.high_starting_gpm) - 1) < 0.01
    assert np.abs(curve - exact)[~jump].max() < SAMPLING
    assert curve @ np.gradient(flow) == pytest.approx(exact @ np.gradient(flow), rel=1e-3)


def built(**extra: object):
    entry = MeterEntry.model_validate(
        {"meter_type": "compound", "size_in": 2, **MONEY, **extra}
    )
    return build_meter(entry, load_ratings(), load_curve_rules())


def test_given_changeover_flows_are_kept() -> None:
    meter = built(changeover_falling_gpm=6, changeover_rising_gpm=12)
    assert meter.compound is not None
    assert meter.compound.changeover_falling_gpm == 6
    assert meter.compound.changeover_rising_gpm == 12
    dip = registration_ratio(np.array([5.0, 6.3, 6.8]), meter)
    assert dip[1:].min() < dip[0]


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ({"changeover_falling_gpm": 6}, "give both, or neither"),
        ({"changeover_falling_gpm": 12, "changeover_rising_gpm": 6}, "must not be above"),
        (
            {"low_element_size_in": 0.625, "registration": [[1, 1.0]]},
            "cannot be combined with registration",
        ),
        (
            {"meter_type": "turbine", "low_element_size_in": 0.625},
            "allowed for compound meters only",
        ),
    ],
)
def test_changeover_keys_that_make_no_sense_are_refused(extra: dict, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        built(**extra)


def test_a_low_element_that_is_no_displacement_size_is_refused() -> None:
    with pytest.raises(CatalogueError, match=r"low_element_size_in: allowed: 0\.5"):
        built(low_element_size_in=0.7)


def test_a_metric_combination_meter_gets_a_low_element_by_rule() -> None:
    # Q1 = 40 / 630 m3/h = 0.28 gpm: the largest displacement meter tested at no more is 5/8 in
    meter = built(q3_m3h=40, r=630)
    assert meter.compound is not None
    assert meter.compound.low[-1][0] == 20
    assert meter.low_limits == (0.95, 1.05)
