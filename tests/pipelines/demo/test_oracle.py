"""The oracle's money and verdicts, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.demo.calendar import calendar_of
from pipelines.demo.flows import Pulses, added_up
from pipelines.demo.installed import Need
from pipelines.demo.oracle import (
    Case,
    SiteLimits,
    judged,
    net_benefit_usd,
    repair_usd,
    truth_of,
    water_and_sewer_usd,
    wear_usd,
    yearly_cost_usd,
)
from pipelines.demo.truth import need_of
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.settings import ClassRate, Tariff, Thresholds, Tier

RATE = ClassRate(
    tiers=(Tier(up_to_gal_per_month=50_000, usd_per_kgal=5.10), Tier(usd_per_kgal=6.40)),
    sewer_usd_per_kgal=4.20,
    sewer_return_share=0.5,
)
TARIFF = Tariff(
    discount_rate_pct=0,
    classes={"default": RATE},
    fixed_charge_usd_per_month={1: 10, 2: 25},
)


def meter(meter_type: str, size_in: float, *, starting_gpm: float, smoc_gpm: float) -> Meter:
    return Meter(
        meter_type=meter_type,  # type: ignore[arg-type]
        size_in=size_in,
        starting_gpm=starting_gpm,
        min_test_gpm=starting_gpm,
        normal_min_gpm=starting_gpm,
        continuous_gpm=smoc_gpm / 2,
        smoc_gpm=smoc_gpm,
        registration=((starting_gpm, 1.0),),
        head_loss_psi_at_smoc=15.0,
        price_usd=300.0,
        install_usd=200.0,
        upkeep_usd_per_year=5.0,
        life_years=20.0,
        source="made up",
    )


FOREVER = Thresholds(count_leak_repair=False, count_wear=False)
SMALL = meter("displacement", 1.0, starting_gpm=0.2, smoc_gpm=50)
LARGE = meter("displacement", 2.0, starting_gpm=1.0, smoc_gpm=160)
OTHER = meter("ultrasonic", 1.0, starting_gpm=0.05, smoc_gpm=55)


def test_tiers_bill_each_gallon_once():
    # HAND: 60 kgal: 50 x 5.10 + 10 x 6.40 + 60 x 0.5 x 4.20 = 255 + 64 + 126.
    assert water_and_sewer_usd(np.array([60_000.0]), RATE) == pytest.approx(445.0)


def test_cost_is_an_annuity():
    # HAND: 500 USD over 20 years without interest; at 4 % the factor is 0.0735818.
    assert yearly_cost_usd(SMALL, 0) == pytest.approx(25.0)
    assert yearly_cost_usd(SMALL, 4) == pytest.approx(500 * 0.0735818, rel=1e-6)


def test_net_benefit_counts_a_lost_base_charge_but_no_gained_one():
    # HAND: 100 USD more billed, 12 x (25 - 10) = 180 USD of base charge lost, 25 USD a year.
    net = net_benefit_usd((SMALL, LARGE), 1, np.array([600.0, 500.0]), TARIFF)
    assert net.tolist() == pytest.approx([100 - 180 - 25, 0.0])
    net = net_benefit_usd((SMALL, LARGE), 0, np.array([500.0, 500.0]), TARIFF)
    assert net.tolist() == pytest.approx([0.0, -25.0])


@pytest.mark.parametrize(
    ("net", "peak", "verdict", "best"),
    [
        ([40.0, 0.0, 10.0], 30, "oversized", 0),
        ([40.0, 0.0, 90.0], 30, "wrong_type", 2),
        ([-5.0, 0.0, -1.0], 30, "fits", 1),
        ([40.0, 0.0, 90.0], 170, "undersized", 1),
    ],
)
def test_verdicts(net: list[float], peak: float, verdict: str, best: int):
    meters = (SMALL, LARGE, OTHER)
    need = Need(peak, 5)
    feasible = np.array([need.is_met_by(m) for m in meters])
    assert judged(meters, 1, np.array(net), feasible, need) == (best, verdict)


def test_a_larger_meter_of_the_same_type_is_no_answer_where_the_installed_one_carries():
    feasible = np.array([True, True])
    assert judged((SMALL, LARGE), 0, np.array([0.0, 50.0]), feasible, Need(30, 5)) == (
        0,
        "fits",
    )


def test_a_steady_trickle_below_the_start_is_worth_what_the_rates_say():
    # HAND: 0.5 gpm for a year of 365.25 days is 262,980 gal, unseen by LARGE, seen by SMALL.
    calendar = calendar_of(1)
    trickle = Pulses.of(np.array([0]), np.array([float(calendar.span_s)]), np.array([0.5]))
    flow = added_up([trickle], calendar)
    case = Case(LARGE, "office", SiteLimits(), None, is_assessable=True)
    catalogue = Catalogue((SMALL, LARGE))
    truth = truth_of(case, flow, need_of(flow, calendar), calendar, catalogue, TARIFF, FOREVER)
    assert truth.actual_gal_per_year == pytest.approx(262_980)
    assert truth.registered_gal_per_year == pytest.approx([262_980, 0.0])
    water = 5.10 * 22.32 + 4.20 * 0.5 * 22.32  # 31 days hold 22.32 kgal, below the tier's end
    assert truth.net_benefit_usd_per_year[0] == pytest.approx(
        water * 365.25 / 31 - 180 - 25, rel=1e-6
    )
    assert truth.verdict == "oversized"


def test_a_trickle_that_is_repaired_brings_its_bill_until_then():
    # HAND: gone in equal parts within 3 months, it runs 1.5 months of 20 years, without
    # interest; half of each bill is credited, 1.5 months at most. The water saved is 1 USD a
    # kgal.
    none = {f"leak_runs_after_{n}_months_share": 0.0 for n in (3, 12, 36)}
    rates = TARIFF.model_copy(
        update={
            "avoided_water_usd_per_kgal": 1.0,
            "leak_adjustment_share": 0.5,
            "leak_adjustment_months": 1.5,
        }
    )
    bill, gal = np.array([1200.0]), np.array([500_000.0])
    changed = repair_usd((SMALL,), bill, gal, rates, Thresholds(**none))
    gone = 1 - 1.5 / 240
    by_month = (0.5 + 1.5 + 1.5) / 3  # months of repair 0.5, 1.5, 2.5, the credit cut at 1.5
    credit = 0.5 * 1200 * by_month / 240
    assert changed[0] == pytest.approx((500 - 1200) * gone - credit)
    assert repair_usd((SMALL,), bill, gal, rates, FOREVER)[0] == 0


def test_wear_of_the_old_meter_is_gained_and_of_the_new_one_lost():
    # HAND: the old one loses 2 points a year and is replaced in kind after 10 of 20 years, the
    # new one none; without interest that is 0.02 x 5 years of a bill of 30 kgal in each of
    # twelve months at 5.10 + 2.10.
    rates = {"displacement": 2.0, "ultrasonic": 0.0}
    still = dict.fromkeys(rates, 0.0)
    limits = Thresholds(wear_pct_per_year=rates, wear_pct_per_1000_hours=still)
    month = np.full((12, 2), 30_000.0)
    gained = wear_usd((LARGE, OTHER), 0, month, RATE, TARIFF, limits)
    assert gained[1:] == pytest.approx([0.1 * 12 * 30 * 7.20])


@pytest.mark.parametrize(
    ("limits", "allowed", "is_feasible"),
    [
        (SiteLimits(), None, True),
        (SiteLimits(spare_head_psi=5), None, True),  # 15 psi x (20 / 55)^2 = 2 psi
        (SiteLimits(spare_head_psi=1), None, False),
        (SiteLimits(service_line_in=0.75), None, False),
        (SiteLimits(), ("displacement",), False),
    ],
)
def test_limits_of_site_and_utility(
    limits: SiteLimits, allowed: tuple[str, ...] | None, is_feasible: bool
):
    calendar = calendar_of(1)
    draw = Pulses.of(np.array([600]), np.array([300.0]), np.array([20.0]))
    flow = added_up([draw], calendar)
    case = Case(LARGE, "office", limits, allowed, is_assessable=True)
    catalogue = Catalogue((LARGE, OTHER))
    truth = truth_of(case, flow, need_of(flow, calendar), calendar, catalogue, TARIFF, FOREVER)
    assert bool(truth.is_feasible[1]) is is_feasible
