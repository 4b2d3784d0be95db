"""Bills, charges and costs by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.economics import (
    change_costs,
    fixed_charge_usd_per_year,
    rate_class_of,
    rate_steps,
)
from rightsize.settings import Tariff
from tests.unit.recommend.synthetic import meter, tariff

TIERED = tariff()


def bill(gal_per_year: float, **changes: object) -> float:
    rates = rate_steps(TIERED, ("office",), **changes)  # type: ignore[arg-type]
    return float(rates.bill_usd_per_year(np.array([[gal_per_year]]))[0, 0])


def test_bill_below_the_first_limit() -> None:
    """HAND: 480,000 gal a year is 40,000 a month at 5.10 + 0.9 x 4.20 USD/kgal."""
    assert bill(480_000) == pytest.approx(480 * (5.10 + 0.9 * 4.20))


def test_bill_above_the_limit_pays_the_second_tier_only_on_the_rest() -> None:
    """HAND: 80,000 a month: 50,000 at 5.10, 30,000 at 6.40, sewer on 90 % of all."""
    by_month = 50 * 5.10 + 30 * 6.40 + 80 * 0.9 * 4.20
    assert bill(12 * 80_000) == pytest.approx(12 * by_month)


def test_uneven_months_reach_the_second_tier_where_even_ones_do_not() -> None:
    """HAND: 480,000 gal all in four months: 120,000 a month, 70,000 of it at 6.40."""
    share = np.zeros((1, 12))
    share[0, 5:9] = 0.25
    by_month = 50 * 5.10 + 70 * 6.40 + 120 * 0.9 * 4.20
    assert bill(480_000, month_volume_share=share) == pytest.approx(4 * by_month)


@given(
    volume=st.floats(0, 5e6),
    cut=st.floats(0.05, 0.95),
    limit=st.floats(1e3, 2e5),
)
def test_bill_is_a_sum_over_months(volume: float, cut: float, limit: float) -> None:
    """ANALYTIC: against a bill worked out month by month, tier by tier."""
    rates = Tariff.model_validate(
        {
            "classes": {
                "default": {
                    "tiers": [
                        {"up_to_gal_per_month": limit, "usd_per_kgal": 3.0},
                        {"up_to_gal_per_month": 3 * limit, "usd_per_kgal": 7.0},
                        {"usd_per_kgal": 5.0},
                    ]
                }
            }
        }
    )
    share = np.full(12, (1 - cut) / 11)
    share[6] = cut
    got = rate_steps(rates, ("retail",), month_volume_share=share[None, :])
    plain = 0.0
    for s in share:
        month = volume * s
        first = min(month, limit)
        second = min(max(month - limit, 0), 2 * limit)
        plain += (first * 3 + second * 7 + max(month - 3 * limit, 0) * 5) / 1000
    assert got.bill_usd_per_year(np.array([[volume]]))[0, 0] == pytest.approx(
        plain, rel=1e-9, abs=1e-6
    )


def test_irrigation_services_pay_the_irrigation_rate_where_it_is_named() -> None:
    named = Tariff.model_validate(
        {
            "classes": {
                "default": {"tiers": [{"usd_per_kgal": 5}], "sewer_usd_per_kgal": 4},
                "irrigation": {"tiers": [{"usd_per_kgal": 6}]},
            }
        }
    )
    kinds, classes = ("irrigation", "domestic"), ("office", "office")
    assert rate_class_of(named, classes, kinds) == ("irrigation", "office")
    assert rate_class_of(TIERED, classes, kinds) == ("office", "office")
    bills = rate_steps(named, rate_class_of(named, classes, kinds))
    year = bills.bill_usd_per_year(np.array([[1000.0, 1000.0]]))
    np.testing.assert_allclose(year, [[6.0, 9.0]])


def test_fixed_charges_by_size() -> None:
    charge = fixed_charge_usd_per_year(TIERED, np.array([0.625, 2.0, 10.0]))
    np.testing.assert_allclose(charge, [14 * 12, 74 * 12, np.nan])
    none = tariff(fixed_charge_usd_per_month={})
    assert fixed_charge_usd_per_year(none, np.array([10.0]))[0] == 0


PAIR = Catalogue(
    (
        meter(
            "turbine",
            3.0,
            435,
            price_usd=1200.0,
            install_usd=800.0,
            life_years=10.0,
            upkeep_usd_per_year=60.0,
        ),
        meter(
            "displacement",
            2.0,
            160,
            price_usd=700.0,
            install_usd=300.0,
            life_years=20.0,
            upkeep_usd_per_year=10.0,
        ),
    )
)


def costs(age_years: float, **changes: float):  # type: ignore[no-untyped-def]
    free = tariff(discount_rate_pct=0)
    return change_costs(
        PAIR, free, meter_index=np.array([0]), age_years=np.array([age_years]), **changes
    )


def test_unknown_age_credits_no_renewal() -> None:
    """HAND: 1000 USD over 20 years without interest, less 50 USD of upkeep saved."""
    assert costs(np.nan).annual_cost_usd_per_year[0, 1] == pytest.approx(1000 / 20 - 50)


def test_a_meter_at_its_end_credits_its_whole_renewal() -> None:
    """HAND: it would be replaced in kind now: 2000 USD over 10 years are saved each year."""
    annual = costs(25.0).annual_cost_usd_per_year[0, 1]
    assert annual == pytest.approx(1000 / 20 - 50 - 2000 / 10)


def test_renewal_is_credited_from_the_installed_meters_end_on() -> None:
    """HAND: 6 of 10 years used, 4 left: 16 of the new meter's 20 years are credited."""
    annual = costs(6.0).annual_cost_usd_per_year[0, 1]
    assert annual == pytest.approx(1000 / 20 - 50 - 2000 / 10 * 16 / 20)
    half = costs(6.0, renewal_credit_share=0.5).annual_cost_usd_per_year[0, 1]
    assert half == pytest.approx(1000 / 20 - 50 - 0.5 * 2000 / 10 * 16 / 20)


def test_refitting_follows_the_change_of_size() -> None:
    """HAND: one inch of change at 250 USD an inch."""
    assert costs(np.nan, refit_usd_per_in=250.0).change_cost_usd[0].tolist() == [2000.0, 1250.0]


def test_another_meter_of_the_same_size_changes_no_fixed_charge() -> None:
    """Also where the tariff lacks that size: what is not known does not change."""
    same = Catalogue((PAIR.meters[0], replace(PAIR.meters[0], meter_type="compound")))
    lacking = tariff(fixed_charge_usd_per_month={0.625: 14.0})
    got = change_costs(same, lacking, meter_index=np.array([0]), age_years=np.array([5.0]))
    assert got.fixed_charge_change_usd_per_year.tolist() == [[0.0, 0.0]]
    other = change_costs(PAIR, lacking, meter_index=np.array([0]), age_years=np.array([5.0]))
    assert np.isnan(other.fixed_charge_change_usd_per_year[0, 1])
