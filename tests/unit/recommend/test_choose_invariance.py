"""What must not move a decision: units, order, duplicates; and what must."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.assembly_loss import added_loss_psi_per_gpm2
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.choose import Decision, decide
from rightsize.settings import Thresholds
from rightsize.units import L_PER_GAL
from tests.unit.recommend.one_account import NO_SITE_COSTS
from tests.unit.recommend.synthetic import fleet, tariff

LIMITS = Thresholds()
SAME = {"rel_tol": 1e-4, "abs_tol": 0.05}  # draws are held in single precision


def run(*parts: Any) -> Decision:
    block, posterior, sites, meters = parts
    return decide(block, posterior, sites, meters, tariff(), LIMITS, units="us")


def picked(record: Any, rows: np.ndarray, axis: dict[str, int]) -> Any:
    """A block, posterior or site record with some accounts, in the given order."""
    changes: dict[str, Any] = {}
    for name, value in vars(record).items():
        if isinstance(value, tuple):
            changes[name] = tuple(value[k] for k in rows)
        elif isinstance(value, np.ndarray):
            changes[name] = np.take(value, rows, axis=axis.get(name, 0))
    return replace(record, **changes)


DRAW_AXES = dict.fromkeys(
    (
        "actual_gal_per_year", "registered_gal_per_year", "installed_gal_per_year",
        "peak_10s_gpm", "peak_1min_gpm", "sustained_60min_gpm", "unseen_gal_per_year",
        "low_flow_share",
    ),
    1,
)  # fmt: skip


def taken(
    parts: tuple[ProfileBlock, FlowPosterior, SiteBlock, Catalogue], rows: np.ndarray
) -> tuple[ProfileBlock, FlowPosterior, SiteBlock, Catalogue]:
    block, posterior, sites, meters = parts
    return (
        picked(block, rows, {}), picked(posterior, rows, DRAW_AXES), picked(sites, rows, {}),
        meters,
    )  # fmt: skip


def test_order_of_accounts_does_not_matter() -> None:
    parts = fleet(300)
    order = np.random.default_rng(8).permutation(300)
    straight, mixed = run(*parts), run(*taken(parts, order))
    for name in ("recommendation", "candidate", "finding", "not_assessed"):
        key = [
            c
            for c in ("account_id", "meter_type", "size_in", "code")
            if c in getattr(straight, name).columns
        ]
        assert_frame_equal(
            getattr(straight, name).sort(key), getattr(mixed, name).sort(key), **SAME
        )


def test_duplicate_accounts_get_the_same_answer() -> None:
    parts = fleet(100)
    twice = run(*taken(parts, np.repeat(np.arange(100), 2))).recommendation
    assert_frame_equal(twice[::2], twice[1::2])
    assert_frame_equal(twice[::2], run(*parts).recommendation, **SAME)


def test_draws_split_in_two_change_nothing() -> None:
    """Costs that only a share of the samples bears are left out: twice as many bear them.

    So is the share of leaks that run, which the decision draws itself.
    """
    certain = Thresholds.model_validate({**NO_SITE_COSTS, "count_leak_repair": False})
    block, posterior, sites, meters = fleet(200)
    halves = {name: np.repeat(getattr(posterior, name), 2, axis=0) for name in DRAW_AXES}
    split = decide(
        block, replace(posterior, **halves), sites, meters, tariff(), certain, units="us"
    )
    whole = decide(block, posterior, sites, meters, tariff(), certain, units="us")
    assert_frame_equal(split.recommendation, whole.recommendation, **SAME)


def test_the_decision_is_the_same_in_litres(monkeypatch: pytest.MonkeyPatch) -> None:
    """All flows and volumes in litres, prices and limits by litres: same verdict and money."""
    block, posterior, sites, meters = fleet(300)
    c = L_PER_GAL
    flows = (
        "actual_gal_per_year", "registered_gal_per_year", "installed_gal_per_year",
        "peak_10s_gpm", "peak_1min_gpm", "sustained_60min_gpm", "unseen_gal_per_year",
        "registered_envelope_low", "registered_envelope_high",
    )  # fmt: skip
    litres = replace(posterior, **{name: getattr(posterior, name) * c for name in flows})
    rated = ("starting_gpm", "min_test_gpm", "normal_min_gpm", "continuous_gpm", "smoc_gpm")
    big = Catalogue(
        tuple(
            replace(
                m,
                registration=tuple((q * c, r) for q, r in m.registration),
                **{name: getattr(m, name) * c for name in rated},
            )
            for m in meters.meters
        )
    )
    rates = tariff(
        classes={
            "default": {
                "tiers": [
                    {"up_to_gal_per_month": 50000 * c, "usd_per_kgal": 5.10 / c},
                    {"usd_per_kgal": 6.40 / c},
                ],
                "sewer_usd_per_kgal": 4.20 / c,
                "sewer_return_share": 0.9,
            }
        }
    )
    metered = replace(
        block,
        registered_gal=block.registered_gal * c,
        resolution_gal=block.resolution_gal * c,
        max_hour_gpm=block.max_hour_gpm * c,
    )
    in_gallons = decide(
        block, posterior, sites, meters, tariff(), LIMITS, units="us"
    ).recommendation
    # bores are still in inches: what strainers and reducers take is restated per litre
    monkeypatch.setattr(
        "rightsize.recommend.case.added_loss_psi_per_gpm2",
        lambda held, line_in: added_loss_psi_per_gpm2(held, line_in) / c**2,
    )
    in_litres = decide(metered, litres, sites, big, rates, LIMITS, units="us").recommendation
    same = [
        "account_id", "verdict", "action", "recommended_type", "recommended_size_in",
        "net_benefit_usd_per_year", "net_present_value_usd", "payback_years",
        "revenue_gain_usd_per_year", "accuracy_gain_pct", "odds_of_benefit", "odds_of_fit",
        "head_loss_at_peak_psi", "assembly_loss_at_peak_psi",
    ]  # fmt: skip
    assert_frame_equal(in_litres.select(same), in_gallons.select(same), **SAME)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), off_usd=st.floats(20, 400))
def test_a_cheaper_identical_meter_never_loses(seed: int, off_usd: float) -> None:
    block, posterior, sites, meters = fleet(60, seed=seed)
    count = len(meters.meters)
    cheap = tuple(
        replace(m, grade="cheap", price_usd=max(0.0, m.price_usd - off_usd))
        for m in meters.meters
    )
    twin = np.concatenate([np.arange(count), np.arange(count)])
    both = replace(
        posterior,
        registered_gal_per_year=posterior.registered_gal_per_year[:, :, twin],
        registered_envelope_low=posterior.registered_envelope_low[:, twin],
        registered_envelope_high=posterior.registered_envelope_high[:, twin],
    )
    result = decide(
        block, both, sites, Catalogue(meters.meters + cheap), tariff(), LIMITS, units="us"
    )
    alone = decide(block, posterior, sites, meters, tariff(), LIMITS, units="us").recommendation
    changed = result.recommendation.filter(pl.col("action") == "change")
    assert (changed["recommended_grade"] == "cheap").all()
    joined = result.recommendation.join(alone, on="account_id", suffix="_alone").filter(
        (pl.col("action") == "change") & (pl.col("action_alone") == "change")
    )
    gain = joined["net_benefit_usd_per_year"] - joined["net_benefit_usd_per_year_alone"]
    assert (gain >= -0.05).all()


def odds_alone_with(**changes: float) -> Thresholds:
    """Limits under which the odds alone decide whether a change is proven."""
    no_other = {
        "min_net_benefit_usd_per_year": 0, "min_gain_points": 0, "max_payback_years": 100,
    }  # fmt: skip
    return Thresholds.model_validate(NO_SITE_COSTS | no_other | changes)


def test_more_certain_odds_change_fewer_meters() -> None:
    parts = fleet(400)
    counts = [
        decide(
            *parts,
            tariff(),
            odds_alone_with(odds_of_benefit=o, odds_of_costly_benefit=o),
            units="us",
        )
        .recommendation["verdict"]
        .is_in(["oversized", "wrong_type"])
        .sum()
        for o in (0.5, 0.75, 0.95)
    ]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_correct_bills_that_lower_demand_bring_less() -> None:
    """ANALYTIC: with elasticity e, a bill up by r lowers volume to r**e of it."""
    parts = fleet(200)
    flat = tariff(classes={"default": {"tiers": [{"usd_per_kgal": 8.0}]}})
    plain = decide(*parts, flat, LIMITS, units="us").candidate
    answer = decide(*parts, flat, Thresholds(demand_elasticity=-0.3), units="us").candidate
    kept = plain["is_installed"]
    assert (answer.filter(kept)["net_benefit_usd_per_year"] == 0).all()
    more = plain["accuracy_pct"] > plain["accuracy_pct"].mean()
    less = plain["net_benefit_usd_per_year"] - answer["net_benefit_usd_per_year"]
    gains = plain["net_benefit_usd_per_year"] > 0
    assert gains.sum() > 20
    assert (less.filter(gains) >= -0.05).all()
    assert (less.filter(gains & more) > 0).any()
    np.testing.assert_allclose(
        answer["registered_gal_per_year"], plain["registered_gal_per_year"]
    )


def test_a_renewed_meter_is_the_yardstick_once_the_installed_one_is_spent() -> None:
    """A worn meter past its life: only what the new type brings above a new one in kind counts.

    PLANTED: the installed meter has lost 10 % of its registration; in kind it would regain it.
    """
    block, posterior, sites, meters = fleet(150)
    worn = replace(posterior, installed_gal_per_year=posterior.installed_gal_per_year * 0.9)
    unknown = decide(block, worn, sites, meters, tariff(), LIMITS, units="us").candidate
    spent = replace(sites, age_years=np.full(150, 40.0))
    credited = decide(block, worn, spent, meters, tariff(), LIMITS, units="us").candidate
    gain = credited["net_benefit_usd_per_year"] - unknown["net_benefit_usd_per_year"]
    assert (gain < 0).any(), "the regained 10 % is not the new type's merit"
    assert (gain > 0).any(), "the renewal saved is"


@pytest.mark.parametrize("limit", ["odds_of_fit", "spare_head_psi", "min_size_in"])
def test_a_changed_limit_changes_the_decision_without_new_draws(limit: str) -> None:
    parts = fleet(300)
    value = {"odds_of_fit": 0.999, "spare_head_psi": 3.0, "min_size_in": 2.0}[limit]
    before = decide(*parts, tariff(), LIMITS, units="us").candidate["feasible"].sum()
    after = (
        decide(*parts, tariff(), Thresholds(**{limit: value}), units="us")
        .candidate["feasible"]
        .sum()
    )
    assert after < before


@settings(max_examples=5, deadline=None)
@given(
    st.integers(0, 50),
    st.tuples(st.floats(0.5, 0.95), st.floats(0.5, 0.95)),
    st.tuples(st.floats(0, 500), st.floats(0, 500)),
)
def test_stricter_limits_flag_no_other_account(
    seed: int, odds: tuple[float, float], least_usd: tuple[float, float]
) -> None:
    """LAW: accounts flagged under stricter limits are flagged under each looser one."""
    parts = fleet(60, seed=seed)
    flagged = []
    for pick in (min, max):
        limits = Thresholds(
            odds_of_benefit=pick(odds), min_net_benefit_usd_per_year=pick(least_usd)
        )
        rows = decide(*parts, tariff(), limits, units="us").recommendation
        is_flagged = pl.col("verdict").is_in(["oversized", "wrong_type"])
        flagged.append(set(rows.filter(is_flagged)["account_id"]))
    assert flagged[1] <= flagged[0]


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 50), st.integers(1, 59))
def test_another_account_moves_no_decision(seed: int, count: int) -> None:
    """LAW: given flows and prices, an account's decision rests on that account alone.

    The last digits of means over samples follow from how numpy walks an array.
    """
    parts = fleet(60, seed=seed)
    whole = run(*parts).recommendation
    part = run(*taken(parts, np.arange(count))).recommendation
    assert_frame_equal(whole.head(count), part, **SAME)
