"""Work at the site: what is recorded costs or costs nothing, what is not is a possible cost."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rightsize.contracts.site_record import SiteRecord
from rightsize.meters.catalogue import Meter
from rightsize.meters.laying import laying
from rightsize.recommend.site_work import site_work
from rightsize.settings import Thresholds
from tests.unit.recommend.one_account import TURBINE, decided, row, sold

LIMITS = Thresholds(
    fitting_usd_per_in=10, repipe_usd_per_in=100, strainer_usd_per_in=1000, power_usd=50_000,
    traffic_control_usd=700_000,
)  # fmt: skip


def work(new: Meter, *, installed: Meter = TURBINE, **facts: Any) -> tuple[float, float]:
    """Known and possible cost of `new` in the place of `installed`."""
    record = {
        name: (value,) if isinstance(value, str) else np.array([value], dtype=float)
        for name, value in facts.items()
    }
    meters = (installed, new)
    known, possible = site_work(
        np.array([m.size_in for m in meters]),
        laying(meters),
        np.zeros(1, dtype=np.int64),
        replace(SiteRecord.blank(1), **record),
        LIMITS,
    )
    assert known[0, 0] == possible[0, 0] == 0
    return float(known[0, 1]), float(possible[0, 1])


DISPLACEMENT_2 = sold("displacement", 2.0, 160, 100)  # 17 in long; the 2 in turbine is 10 in
SHORT = sold("displacement", 2.0, 160, 100, lay_length_in=10.0)
COMPOUND_3 = sold("compound", 3.0, 320, 100, lay_length_in=10.0)
POWERED = sold("displacement", 2.0, 160, 100, lay_length_in=10.0, needs_power=True)
SMALL = sold("displacement", 1.0, 50, 100)  # 10.75 in, threaded
FROM_DISPLACEMENT = {"installed": SHORT}
ROTOR = sold("turbine", 2.0, 190, 100)  # 10 in long, 10 in of straight pipe, a strainer


@pytest.mark.parametrize(
    ("new", "facts", "known_usd", "possible_usd"),
    [
        (SHORT, {}, 0, 0),  # the same size, length and ends
        (SHORT, {"lay_length_in": 12.0}, 20, 0),  # a spool
        (SHORT, {"end_connection": "threaded"}, 20, 0),  # adapters
        (SHORT, {"end_connection": "flanged"}, 0, 0),
        (DISPLACEMENT_2, {}, 20 + 200, 0),  # 7 in too long
        (DISPLACEMENT_2, {"lay_length_in": 17.0}, 0, 0),
        (SMALL, {"lay_length_in": 12.0}, 20, 0),  # reducers
        (ROTOR, FROM_DISPLACEMENT, 0, 200 + 2000),  # straight run and strainer not recorded
        (ROTOR, FROM_DISPLACEMENT | {"straight_run_in": 10.0, "has_strainer": "yes"}, 0, 0),
        (ROTOR, FROM_DISPLACEMENT | {"straight_run_in": 9.9, "has_strainer": "yes"}, 200, 0),
        (ROTOR, FROM_DISPLACEMENT | {"straight_run_in": 10.0, "has_strainer": "no"}, 2000, 0),
        (POWERED, {}, 0, 50_000),
        (POWERED, {"has_power": "no"}, 50_000, 0),
        (POWERED, {"has_power": "yes"}, 0, 0),
        (SHORT, {"in_street": "yes"}, 700_000, 0),
        (SHORT, {"in_street": "no"}, 0, 0),
        (COMPOUND_3, {"in_street": "no", "straight_run_in": 9.0}, 30 + 3000, 0),
        (COMPOUND_3, {"straight_run_in": 9.0}, 30 + 3000, 700_000),  # 3 in: perhaps the street
    ],
)
def test_what_the_work_costs(
    new: Meter, facts: dict[str, Any], known_usd: float, possible_usd: float
) -> None:
    assert work(new, **facts) == pytest.approx((known_usd, possible_usd))


def test_a_length_that_no_table_has_is_a_possible_cost() -> None:
    unknown = sold("compound", 8.0, 1500, 100)
    installed = sold("turbine", 8.0, 2800, 100)
    facts = {"in_street": "no", "straight_run_in": 100.0, "has_strainer": "yes"}
    assert np.isnan(laying((unknown,)).lay_length_in[0])
    assert work(unknown, installed=installed, **facts) == pytest.approx((0, 80))
    told = replace(unknown, lay_length_in=20.0)
    assert work(told, installed=installed, **facts) == pytest.approx((0, 0))


def test_the_costs_enter_the_change_and_its_range() -> None:
    """HAND: 7 in too long: 40 and 150 USD an inch of 2 in are known, nothing else may cost."""
    usual = {"fitting_usd_per_in": 40, "repipe_usd_per_in": 150}
    told = row(decided([DISPLACEMENT_2], [[100_000.0] * 10], limits=usual))
    assert told["change_cost_usd"] == pytest.approx(100 + 2 * (40 + 150))
    assert told["possible_cost_usd"] == 0
    powered = row(decided([POWERED], [[100_000.0] * 10]))
    assert powered["possible_cost_usd"] == pytest.approx(1500)
    assert powered["change_cost_usd"] == pytest.approx(100 + 750)
    assert powered["net_benefit_low_usd_per_year"] == pytest.approx(1000 - 1600 / 20, abs=0.01)
    assert powered["net_benefit_high_usd_per_year"] == pytest.approx(1000 - 100 / 20, abs=0.01)
