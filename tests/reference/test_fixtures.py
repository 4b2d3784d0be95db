"""Design demand against published tables.

STANDARD: AWWA M22 3rd ed. fixture values (READ in a county form); IPC 2018 Table E103.3(3)
(READ+ to 500 fixture units, MEM-H above) and E103.3(2) (READ); NSPC Table B.5.4 (READ).
"""

from __future__ import annotations

import pytest

from rightsize.demand.design_demand import (
    ipc_fixture_units,
    m22_demand_gpm,
    m22_fixture_value,
    m22_irrigation_gpm,
    supply_demand_gpm,
)
from rightsize.demand.fixture_tables import IPC_FIXTURE_UNITS
from rightsize.errors import ConfigError


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
    with pytest.raises(ConfigError, match="pressure factor at 40 psi is not included"):
        m22_demand_gpm(47, curve=curve, pressure_psi=40)
    with pytest.raises(ConfigError, match="fixture value of 400 is outside the table"):
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
    with pytest.raises(ConfigError, match="is outside the table, 5 to 5,000"):
        supply_demand_gpm(3, supply="valve")
    with pytest.raises(ConfigError, match="is outside the table"):
        supply_demand_gpm(6000, supply="tank")


def test_ipc_fixture_units_of_a_small_office() -> None:
    """HAND on READ values: 4 public lavatories 8, one service sink 3, a fountain 0.25."""
    counts = {"lavatory_public": 4, "service_sink": 1, "drinking_fountain": 1}
    assert ipc_fixture_units(counts) == pytest.approx(11.25)
    with pytest.raises(ConfigError, match="unknown IPC fixture 'pool'"):
        ipc_fixture_units({"pool": 1})
    with pytest.raises(ConfigError, match="count must be 0 or more, got -1"):
        ipc_fixture_units({"bidet": -1})


def test_toilets_urinals_showers_and_washers_have_fixture_units() -> None:
    """IPC 2018 E103.3(2): from memory, but the rule between its columns is read.

    Where hot and cold feed a fixture, each counts 3/4 of the total: the columns of showers and
    washers (1.0, 3.0, 2.25) are quarters, to the table's rounding.
    """
    for kind in ("toilet", "urinal", "shower", "washing_machine"):
        assert any(name.startswith(kind) for name in IPC_FIXTURE_UNITS)
    for name, hot in (("shower_private", 1.0), ("shower_public", 3.0),
                      ("washing_machine_8_lb_public", 2.25),
                      ("washing_machine_15_lb_public", 3.0)):  # fmt: skip
        assert IPC_FIXTURE_UNITS[name] * 0.75 == pytest.approx(hot, abs=0.05)
    group = IPC_FIXTURE_UNITS["bathroom_group_private_tank"]  # read: toilet, lavatory, bath
    parts = ("toilet_flush_tank_private", "lavatory_private", "bathtub_private")
    assert max(IPC_FIXTURE_UNITS[p] for p in parts) < group
    assert group < sum(IPC_FIXTURE_UNITS[p] for p in parts)  # not all are open at once
