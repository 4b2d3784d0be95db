"""What work at a place costs in the demo's truth, by hand, and what the decision expects."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.demo.oracle import annuity_factor
from pipelines.demo.site_place import Place, place_of, site_usd
from rightsize.contracts.site_record import SiteRecord
from rightsize.meters.catalogue import Meter
from rightsize.recommend.site_costs import site_costs
from rightsize.settings import Thresholds

LIMITS = Thresholds()
PLACE = Place(line_in=4, has_room=True, has_power=True, in_street=False, spool_differs=False)


def meter(meter_type: str, size_in: float, **facts: object) -> Meter:
    plain = Meter(
        meter_type=meter_type,  # type: ignore[arg-type]
        size_in=size_in,
        starting_gpm=0.2,
        min_test_gpm=0.5,
        normal_min_gpm=1.0,
        continuous_gpm=50.0 * size_in,
        smoc_gpm=100.0 * size_in,
        registration=((0.2, 1.0),),
        head_loss_psi_at_smoc=15.0,
        price_usd=300.0,
        install_usd=200.0,
        upkeep_usd_per_year=5.0,
        life_years=20.0,
        source="made up",
    )
    return replace(plain, **facts)  # type: ignore[arg-type]


TURBINE_3 = meter("turbine", 3)
TURBINE_2 = meter("turbine", 2)
DISC_2 = meter("displacement", 2)
MAG_3 = meter("electromagnetic", 3, lay_length_in=12.0, needs_power=True)


@pytest.mark.parametrize(
    ("new", "place", "usd"),
    [
        # 3 in reducers at 40 USD/in; a strainer of the new size at 150 USD/in
        (TURBINE_2, PLACE, 3 * 40 + 2 * 150),
        # 17 in long in a place of 12 in (C700, C701): 150 USD/in of pipe work
        (DISC_2, PLACE, 3 * 40 + 2 * 150),
        # the same length, and less straight run than the turbine's: nothing but power
        (MAG_3, PLACE, 0),
        (MAG_3, replace(PLACE, has_power=False), 1500),
        (MAG_3, replace(PLACE, in_street=True), 500),
        (DISC_2, replace(PLACE, in_street=True), 3 * 40 + 2 * 150 + 500),
        (TURBINE_3, replace(PLACE, has_room=False, in_street=True), 500),  # traffic alone
    ],
)
def test_work_costs_what_the_place_asks(new: Meter, place: Place, usd: float):
    # HAND: prices are the defaults of the thresholds
    assert site_usd((TURBINE_3, new), 0, place, LIMITS)[1] == pytest.approx(usd)


def test_a_meter_above_its_line_needs_a_new_one():
    work = site_usd((DISC_2, TURBINE_3), 0, replace(PLACE, line_in=2), LIMITS)
    assert work.tolist() == [0.0, 3 * 40 + 3 * 150 + 3 * 3000]  # HAND


def test_the_worth_of_a_dollar_a_year():
    # HAND: 4 % over 20 years: 13.5903
    assert annuity_factor((DISC_2,), 4)[0] == pytest.approx(13.5903, abs=1e-4)
    assert annuity_factor((DISC_2,), 0)[0] == 20


# where a meter without strainer stands the decision cannot know that none does; truth does
@pytest.mark.parametrize("now", [0, 1])
def test_the_decision_expects_what_places_cost_on_average(now: int):
    meters = (TURBINE_3, DISC_2, MAG_3)
    rng = np.random.default_rng(5)
    truth = [
        site_usd(
            meters,
            now,
            place_of(rng, line_in=6, in_street=None, odds=LIMITS.unknown_site_odds),
            LIMITS,
        )
        for _ in range(2000)
    ]
    expected = site_costs(
        meters, np.array([now]), np.array([6.0]), SiteRecord.blank(1), LIMITS
    ).expected_usd(64)[0]
    error = np.std(truth, axis=0) / np.sqrt(len(truth))
    assert np.all(np.abs(np.mean(truth, axis=0) - expected) <= 4 * error + 1e-9)
