"""Design demand against published tables and the binomial.

STANDARD: AWWA M22 3rd ed. fixture values (READ in a county form); IPC 2018 Table E103.3(3)
(READ+ to 500 fixture units, MEM-H above) and E103.3(2) (READ); NSPC Table B.5.4 (READ). HAND:
binomial and Wistort figures worked out from the stated formulas (CALC); Hunter's parameters
MEM-H, home fixtures MEM-M.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from rightsize.demand.design_demand import (
    exact_demand_gpm,
    flow_distribution,
    hunter_busy_count,
    hunter_demand_gpm,
    ipc_fixture_units,
    m22_demand_gpm,
    m22_fixture_value,
    m22_irrigation_gpm,
    modified_wistort_gpm,
    supply_demand_gpm,
    wistort_gpm,
)
from rightsize.demand.fixture_tables import HOME_FIXTURE_USE, HUNTER_USE, FixtureGroup
from rightsize.errors import ConfigError

PRINTED = 0.0005  # figures are given to three decimals


def test_m22_fixture_values_of_the_worked_sum() -> None:
    """HAND (CALC on READ values): 10 lavatories 15 + 6 tank toilets 24 + 2 service sinks 8."""
    counts = {"lavatory": 10, "toilet_tank": 6, "service_sink": 2}
    assert m22_fixture_value(counts) == pytest.approx(47)
    assert m22_fixture_value({"toilet_flush_valve": 1, "urinal_wall": 2}) == 35 + 32
    assert m22_fixture_value({}) == 0


def test_m22_irrigation() -> None:
    """STANDARD (READ): 1.16 gpm a spray section of 100 ft2, 0.40 a rotary one."""
    assert m22_irrigation_gpm(20, "spray") == pytest.approx(23.2)
    assert m22_irrigation_gpm(20, "rotary") == pytest.approx(8.0)


def test_m22_demand_needs_a_curve_and_knows_its_pressures() -> None:
    """STANDARD (READ): factor 1.00 at 60 to 80 psi; other factors were not read."""
    curve = ((0.0, 0.0), (100.0, 40.0))
    assert m22_demand_gpm(47, curve=curve, pressure_psi=70, irrigation_gpm=23.2) == (
        pytest.approx(47 * 0.4 + 23.2)
    )
    assert m22_demand_gpm(50, curve=curve, pressure_psi=40, pressure_factor=0.8) == (
        pytest.approx(16)
    )
    with pytest.raises(ConfigError, match="pressure factor at 40 psi is not known"):
        m22_demand_gpm(47, curve=curve, pressure_psi=40)
    with pytest.raises(ConfigError, match="fixture value of 400 is off the table"):
        m22_demand_gpm(400, curve=curve)


@pytest.mark.parametrize(
    ("units", "tank", "valve"),
    [(5, 4.5, 22), (10, 8, 27), (14, 10.5, 30), (120, 49, 74), (200, 65, 91), (300, 85, 110),
     (400, 105, 125), (500, 125, 140), (750, 170, 175), (1000, 210, 210)],
)  # fmt: skip
def test_nspc_table_b_5_4(units: float, tank: float, valve: float) -> None:
    """STANDARD (READ)."""
    assert supply_demand_gpm(units, code="nspc", supply="tank") == tank
    assert supply_demand_gpm(units, code="nspc", supply="valve") == valve


@pytest.mark.parametrize(
    ("units", "tank", "valve"),
    [(5, 9.4, 15.0), (20, 19.6, 35.0), (50, 29.1, 50.0), (100, 43.5, 67.5), (140, 52.5, 77),
     (160, 57, 81), (180, 61, 85.5), (225, 70, 95.5), (300, 85, 108), (500, 124, 143)],
)  # fmt: skip
def test_ipc_table_e103_3_3(units: float, tank: float, valve: float) -> None:
    """STANDARD (READ+); from 1000 on flush tanks and valves agree (MEM-H)."""
    assert supply_demand_gpm(units, supply="tank") == tank
    assert supply_demand_gpm(units, supply="valve") == valve
    for large, flow in ((1000, 208), (2000, 325), (5000, 593)):
        assert supply_demand_gpm(large, supply="tank") == flow
        assert supply_demand_gpm(large, supply="valve") == flow


def test_code_tables_are_read_between_rows_and_refused_beyond() -> None:
    """HAND: half way from 100 (43.5) to 120 (48)."""
    assert supply_demand_gpm(110, supply="tank") == pytest.approx(45.75)
    with pytest.raises(ConfigError, match="goes from 5 to 5000"):
        supply_demand_gpm(3, supply="valve")
    with pytest.raises(ConfigError, match="is off the table"):
        supply_demand_gpm(6000, supply="tank")


def test_ipc_fixture_units_of_a_small_office() -> None:
    """HAND on READ values: 4 public lavatories 8, one service sink 3, a fountain 0.25."""
    counts = {"lavatory_public": 4, "service_sink": 1, "drinking_fountain": 1}
    assert ipc_fixture_units(counts) == pytest.approx(11.25)
    with pytest.raises(ConfigError, match="IPC fixture 'pool' is not known"):
        ipc_fixture_units({"pool": 1})
    with pytest.raises(ConfigError, match="count must be 0 or more, got -1"):
        ipc_fixture_units({"bidet": -1})


@pytest.mark.parametrize(
    ("count", "busy", "running", "reached"),
    [(5, 0.03, 1, 0.99153), (10, 0.03, 2, 0.99724), (20, 0.03, 3, 0.99733),
     (50, 0.03, 5, 0.99626), (100, 0.03, 8, 0.99678), (10, 0.2, 5, 0.99363),
     (20, 0.2, 8, 0.99002), (100, 0.2, 30, 0.99394), (200, 0.2, 54, 0.99343)],
)  # fmt: skip
def test_hunter_binomial(count: int, busy: float, running: int, reached: float) -> None:
    """HAND (CALC): 99th percentile of the binomial, and the share reached."""
    assert hunter_busy_count(count, busy) == running
    assert binom.cdf(running, count, busy) == pytest.approx(reached, abs=1e-5)
    assert binom.cdf(running - 1, count, busy) < 0.99


def test_hunter_flows_stand_near_the_code_curves() -> None:
    """STANDARD: 100 flush valves are 1000 fixture units, 208 to 210 gpm by the codes (READ)."""
    valve, tank = HUNTER_USE["flush_valve"], HUNTER_USE["flush_tank"]
    assert hunter_demand_gpm(FixtureGroup(100, *valve)) == 216
    assert hunter_demand_gpm(FixtureGroup(100, *tank)) == 120
    assert supply_demand_gpm(1000, code="nspc", supply="valve") == pytest.approx(216, rel=0.03)
    assert supply_demand_gpm(500, code="nspc", supply="tank") == pytest.approx(120, rel=0.05)


ONE_OF_EACH = [
    FixtureGroup(1, *HOME_FIXTURE_USE[k])
    for k in ("toilet", "lavatory", "shower", "kitchen_sink", "dishwasher", "clothes_washer")
]


def test_wistort_of_one_home() -> None:
    """HAND (CALC): plain 2.771, modified 4.990, exact 5.7 when busy, exact 3.5 at all times."""
    assert wistort_gpm(ONE_OF_EACH) == pytest.approx(2.771, abs=PRINTED)
    assert modified_wistort_gpm(ONE_OF_EACH) == pytest.approx(4.990, abs=PRINTED)
    assert exact_demand_gpm(ONE_OF_EACH, only_busy=True) == pytest.approx(5.7)
    assert exact_demand_gpm(ONE_OF_EACH) == pytest.approx(3.5)


def test_wistort_of_a_hundred_homes_needs_no_modification() -> None:
    """HAND (CALC): 63.08 gpm either way."""
    many = [FixtureGroup(100, g.busy_share, g.flow_gpm) for g in ONE_OF_EACH]
    assert wistort_gpm(many) == pytest.approx(63.08, abs=0.005)
    assert modified_wistort_gpm(many) == pytest.approx(wistort_gpm(many), abs=1e-3)


def test_exact_flow_agrees_with_the_binomial_for_one_kind() -> None:
    """ANALYTIC: convolution of one group is its binomial."""
    group = FixtureGroup(100, *HUNTER_USE["flush_valve"])
    assert exact_demand_gpm([group]) == pytest.approx(hunter_demand_gpm(group))


@settings(max_examples=30, deadline=None)
@given(
    counts=st.lists(st.integers(1, 3), min_size=2, max_size=3),
    busy=st.lists(st.floats(0.01, 0.6), min_size=3, max_size=3),
)
def test_convolution_equals_enumeration(counts: list[int], busy: list[float]) -> None:
    """ANALYTIC: every combination of fixtures on and off."""
    flows = (1.5, 2.0, 0.5)
    groups = [FixtureGroup(n, busy[k], flows[k]) for k, n in enumerate(counts)]
    single = [(g.busy_share, g.flow_gpm) for g in groups for _ in range(g.count)]
    chance = np.zeros(round(sum(q for _, q in single) / 0.1) + 1)
    for states in itertools.product((0, 1), repeat=len(single)):
        flow = sum(q for (_, q), on in zip(single, states, strict=True) if on)
        weight = np.prod(
            [p if on else 1 - p for (p, _), on in zip(single, states, strict=True)]
        )
        chance[round(flow / 0.1)] += weight
    np.testing.assert_allclose(flow_distribution(groups), chance, atol=1e-12)


def test_a_flow_off_the_lattice_is_refused() -> None:
    with pytest.raises(ConfigError, match=r"multiple of 0\.1 gpm, got 1\.28"):
        flow_distribution([FixtureGroup(1, 0.1, 1.28)])
