"""Money against values and packages from outside the project.

STANDARD: *Water Loss Control*, 2nd ed. (Thornton, Sturm, Kunkel 2008), Fig. 12.13: potential
revenue is charge over efficiency (method READ; figures CALC). p. 181: a reduced service charge
can make downsizing uneconomic (READ). City of Pleasanton CA, water rate study, Table 3-9:
meter ratios (READ). ANALYTIC: the numpy-financial package.
"""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest

from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.economics import (
    change_costs,
    fixed_charge_usd_per_year,
    rate_steps,
    simple_payback_years,
    yearly_upkeep_usd,
)
from rightsize.recommend.horizon import annuity_factor
from rightsize.settings import Tariff
from tests.unit.recommend.synthetic import meter

PLEASANTON_RATIO = {
    0.625: 1.0, 0.75: 1.5, 1.0: 2.5, 1.5: 5.0, 2.0: 8.0, 3.0: 17.5, 4.0: 31.5, 6.0: 65.0,
    8.0: 140.0, 10.0: 210.0,
}  # fmt: skip
CENT_USD = 0.005


def flat_tariff(usd_per_kgal: float, **changes: object) -> Tariff:
    return Tariff.model_validate(
        {"classes": {"default": {"tiers": [{"usd_per_kgal": usd_per_kgal}]}}} | changes
    )


def test_lost_revenue_of_a_meter_at_95_percent() -> None:
    """STANDARD (method READ, figures CALC): 10,000 USD billed at .95 loses 526.32 USD."""
    rates = rate_steps(flat_tariff(5.0), ("office",))
    billed_gal = 10_000 / 5.0 * 1000
    actual_gal = billed_gal / 0.95
    bill = rates.bill_usd_per_year(np.array([[billed_gal], [actual_gal]]))
    assert bill[0, 0] == pytest.approx(10_000, abs=CENT_USD)
    assert bill[1, 0] == pytest.approx(10_526.32, abs=CENT_USD)
    assert bill[1, 0] - bill[0, 0] == pytest.approx(526.32, abs=CENT_USD)


def test_charge_lost_by_downsizing_follows_meter_ratios() -> None:
    """STANDARD (READ): 3 in to 1 in loses (17.5 - 2.5) base charges."""
    base = 14.0
    charges = {size: ratio * base for size, ratio in PLEASANTON_RATIO.items()}
    tariff = flat_tariff(5.0, fixed_charge_usd_per_month=charges)
    meters = Catalogue((meter("turbine", 3.0, 435), meter("displacement", 1.0, 50)))
    costs = change_costs(
        meters, tariff, meter_index=np.array([0]), age_years=np.array([np.nan])
    )
    lost = costs.fixed_charge_change_usd_per_year[0, 1]
    assert lost == pytest.approx(-(17.5 - 2.5) * base * 12)
    assert fixed_charge_usd_per_year(tariff, np.array([10.0]))[0] == 210 * base * 12


@pytest.mark.parametrize("rate_pct", [0.0, 0.5, 4.0, 12.0])
@pytest.mark.parametrize("years", [1.0, 7.0, 15.0, 20.0])
def test_annuity_against_numpy_financial(rate_pct: float, years: float) -> None:
    """ANALYTIC: present value and level payment of the numpy-financial package."""
    factor = annuity_factor(years, rate_pct)
    cash = np.r_[0.0, np.ones(int(years))]
    assert factor == pytest.approx(npf.npv(rate_pct / 100, cash))
    if rate_pct > 0:
        assert 1 / factor == pytest.approx(-npf.pmt(rate_pct / 100, years, 1.0))


def test_simple_payback_against_numpy_financial() -> None:
    """ANALYTIC: number of payments at next to no interest; never without cash coming in.

    At a rate of exactly 0 numpy-financial 1.0 returns the count with its sign reversed.
    """
    cost, cash = np.array([1200.0, 900.0, 500.0]), np.array([300.0, 70.0, -20.0])
    years = simple_payback_years(cost, cash)
    np.testing.assert_allclose(years[:2], npf.nper(1e-9, cash[:2], -cost[:2]), rtol=1e-6)
    assert np.isnan(years[2])


def test_failures_and_electronics_against_numpy_financial() -> None:
    """ANALYTIC: 18 years, a battery every 7, 2 % fail a year, 5 years of warranty."""
    held = meter(
        "compound", 2.0, 160, price_usd=900.0, install_usd=300.0, upkeep_usd_per_year=20.0,
        life_years=18.0, register_usd=100.0, electronics_usd=250.0, electronics_years=7.0,
        failure_pct_per_year=2.0, warranty_years=5.0,
    )  # fmt: skip
    cash = [0.0] + [0.02 * (300 + (0 if year <= 5 else 1000)) for year in range(1, 19)]
    cash[7] += 250
    cash[14] += 250
    level = -npf.pmt(0.04, 18, npf.npv(0.04, cash))
    (mine,) = yearly_upkeep_usd(meter_arrays((held,)), 4.0)
    assert mine == pytest.approx(20 + level)
    (plain,) = yearly_upkeep_usd(meter_arrays((meter("compound", 2.0, 160),)), 4.0)
    assert plain == pytest.approx(meter("compound", 2.0, 160).upkeep_usd_per_year)


def test_a_battery_due_at_the_end_of_the_life_is_not_bought() -> None:
    held = meter(
        "turbine", 2.0, 160, life_years=14.0, electronics_usd=250.0, electronics_years=7.0,
        upkeep_usd_per_year=0.0,
    )  # fmt: skip
    (mine,) = yearly_upkeep_usd(meter_arrays((held,)), 4.0)
    assert mine == pytest.approx(-npf.pmt(0.04, 14, 250 / 1.04**7))


def test_register_and_endpoint_are_part_of_the_cost_of_a_change() -> None:
    plain, whole = meter("turbine", 2.0, 160), meter("turbine", 2.0, 160, register_usd=130.0)
    cost = [
        change_costs(
            Catalogue((m,)),
            flat_tariff(5.0),
            meter_index=np.array([0]),
            age_years=np.array([np.nan]),
        ).change_cost_usd[0, 0]
        for m in (plain, whole)
    ]
    assert cost[1] - cost[0] == pytest.approx(130)
