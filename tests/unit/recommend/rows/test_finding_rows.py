"""Findings on what the installed meter may carry, both ways: at their odds, and just below.

That a meter's peak must not exceed its safe maximum operating capacity, nor its sustained flow
its continuous rating, is what the AWWA standards' ratings mean (C700, C701, C702: from memory).
The odds asked for are our convention (`config/thresholds.yaml`).
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from rightsize.recommend.choose import Decision, decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

LIMITS = Thresholds()
DRAWS = 20


def decided(
    over_smoc: int = 0,
    over_continuous: int = 0,
    limits: Thresholds = LIMITS,
    charges: dict[float, float] | None = None,
) -> Decision:
    """One account; in so many of 20 draws its peak, or sustained flow, is above the rating."""
    block, posterior, sites, meters = fleet(1, draws=DRAWS, seed=4)
    installed = meters.meters[int(sites.meter_index[0])]
    k = np.arange(DRAWS)[:, None]
    posterior = replace(
        posterior,
        peak_10s_gpm=installed.smoc_gpm * np.where(k < over_smoc, 1.01, 1.0),
        peak_1min_gpm=np.full((DRAWS, 1), 0.9 * installed.smoc_gpm),
        sustained_60min_gpm=installed.continuous_gpm
        * np.where(k >= DRAWS - over_continuous, 1.01, 1.0),
    )
    rates = tariff() if charges is None else tariff(fixed_charge_usd_per_month=charges)
    return decide(block, posterior, sites, meters, rates, limits, units="us")


def codes(decision: Decision) -> set[str]:
    return set(decision.finding["code"])


def test_flow_at_the_ratings_in_every_draw_is_no_finding() -> None:
    assert codes(decided()) == set()


def test_above_smoc_from_the_odds_of_undersized_on() -> None:
    """Limit: odds_of_undersized, 0.9 (our convention): 18 of 20 draws, not 17."""
    assert LIMITS.odds_of_undersized == 0.9
    assert codes(decided(over_smoc=18)) == {"above_smoc"}
    assert "above_smoc" not in codes(decided(over_smoc=17))


def test_above_continuous_from_the_odds_of_undersized_on() -> None:
    """Limit: odds_of_undersized, 0.9 (our convention): 18 of 20 draws, not 17."""
    assert codes(decided(over_continuous=18)) == {"above_continuous"}
    assert "above_continuous" not in codes(decided(over_continuous=17))


@pytest.mark.parametrize("which", ["over_smoc", "over_continuous"])
def test_near_limit_between_the_two_odds(which: str) -> None:
    """Limit: near_limit_odds, 0.75 (our convention): 15 to 17 of 20 draws."""
    assert LIMITS.near_limit_odds == 0.75
    assert codes(decided(**{which: 14})) == set()
    assert codes(decided(**{which: 15})) == {"near_limit"}
    assert codes(decided(**{which: 17})) == {"near_limit"}
    assert "near_limit" not in codes(decided(**{which: 18}))


def test_near_limit_counts_either_overload() -> None:
    """10 draws of one and 5 others of the other: 15 of 20."""
    assert codes(decided(over_smoc=10, over_continuous=5)) == {"near_limit"}


@pytest.mark.parametrize("count", range(1, DRAWS))
def test_odds_at_a_limit_reach_it_whatever_the_limit(count: int) -> None:
    """The law: so many of 20 draws reach odds of exactly that share, and one less does not."""
    limits = Thresholds(near_limit_odds=count / DRAWS, odds_of_undersized=1.0)
    reached = decided(over_smoc=count, limits=limits)
    assert codes(reached) == {"near_limit"}
    short = decided(over_smoc=count - 1, limits=limits)
    assert codes(short) == set()


def test_the_action_and_the_finding_are_of_one_mind() -> None:
    """A meter near its limit that nothing else replaces is logged first."""
    for count in range(DRAWS - 3):
        decision = decided(over_smoc=count, limits=Thresholds(min_log_value_usd=1e6))
        row = decision.recommendation.row(0, named=True)
        if row["verdict"] == "fits":
            is_near = codes(decision) == {"near_limit"}
            assert (row["action"] == "log_first") == is_near


def test_a_finding_names_flows_ratings_and_odds() -> None:
    [row] = decided(over_smoc=20).finding.to_dicts()
    evidence = json.loads(row["evidence"])
    assert evidence["odds"] == 1.0
    assert evidence["peak_10s_gpm"] == pytest.approx(1.01 * evidence["smoc_gpm"], abs=1e-3)
    assert f"of {evidence['smoc_gpm']:.3g} gpm" in row["message"]
    assert (row["account_id"], row["meter_id"]) == ("A-00000", "M-00000")


def test_no_fixed_charge_where_no_other_size_has_one() -> None:
    """Limit: any other size with a charge (by definition: the money of a change is not known
    without)."""
    _, _, sites, meters = fleet(1, draws=DRAWS, seed=4)
    mine = meters.meters[int(sites.meter_index[0])].size_in
    other = next(m.size_in for m in meters.meters if m.size_in != mine)
    assert codes(decided(charges={mine: 20.0})) == {"no_fixed_charge"}
    assert codes(decided(charges={mine: 20.0, other: 30.0})) == set()


def test_a_meter_that_is_not_assessed_has_no_finding_of_the_decision() -> None:
    block, posterior, sites, meters = fleet(3, seed=4)
    fire = replace(sites, service_kind=("fire",) * 3)
    peaks = np.full_like(posterior.peak_10s_gpm, 1e6)
    decision = decide(
        block,
        replace(posterior, peak_10s_gpm=peaks),
        fire,
        meters,
        tariff(),
        LIMITS,
        units="us",
    )
    assert decision.finding.is_empty()
    assert decision.recommendation.filter(pl.col("action") != "refer").is_empty()
