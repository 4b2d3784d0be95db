"""The choice against the demo's truth: what an engineer who signs would not forgive.

PLANTED: the demo's own truth folder. The floors were set for the method before it was written.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from tests.acceptance.demo_run import Swept, sweep_demo
from tests.acceptance.scoring import Score, score

DEFAULT_SEED = 20  # of the demo that `rightsize demo` writes
FIRST = 20
SUM_OF_GAINS = (0.8, 1.25)  # estimated over true volume gain
# the choice before it had two steps: the best of those that by themselves are sure enough
ONE_STEP_ODDS_OF_BENEFIT, ONE_STEP_ODDS_OF_FIT = 0.75, 0.9
NOT_ASKED_THEN = {
    "less_benefit", "odds_of_benefit", "benefit_too_small", "gain_too_small",
    "payback_too_long", "larger_without_need", "replacement_by_age", "peak_over_design_share",
}  # fmt: skip
NAMED_SHARE, REALISED_SHARE = 0.8, 0.75
SMALLEST_IN = 0.625


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Swept:
    folder = tmp_path_factory.mktemp("full") / "demo"
    return sweep_demo(folder, accounts=400, seed=DEFAULT_SEED)


def changed(swept: Swept) -> pl.DataFrame:
    """Changes of one sweep with their true outcome, the most promising first."""
    promised = pl.DataFrame(
        swept.rows(
            "select account_id, net_benefit_usd_per_year, volume_gain_gal_per_year"
            " from latest_recommendation"
        ),
        schema={
            "account_id": pl.String,
            "promised_usd": pl.Float64,
            "promised_gal": pl.Float64,
        },
        orient="row",
    )
    return (
        score(swept.folder)
        .assessed.filter(pl.col("action") == "change")
        .join(promised, on="account_id")
        .sort("promised_usd", descending=True)
    )


def losing(swept: Swept) -> list[str]:
    first = changed(swept).head(FIRST)
    return first.filter((pl.col("given_net_usd") < 0) & (pl.col("verdict") != "undersized"))[
        "account_id"
    ].to_list()


def overrun_at_leaks(folder: Path, result: Score) -> list[str]:
    """Leak sites given a 5/8 in meter that their true peak overruns."""
    planted = pl.read_csv(folder / "truth/planted.csv", infer_schema_length=None)
    leaky = planted.filter(pl.col("code").is_in(["possible_leak", "unseen_flow"]))
    given = result.assessed.filter(
        pl.col("account_id").is_in(leaky["account_id"].implode())
        & (pl.col("given_size_in") == SMALLEST_IN)
        & (pl.col("action") == "change")
    )
    # the leak's own flow is left out of the peak that sizes the meter
    flow = leaky.select("account_id", "flow_gpm").unique("account_id")
    peak = given.join(flow, on="account_id").with_columns(
        use_gpm=pl.col("peak_10s_gpm") - pl.col("flow_gpm")
    )
    return peak.filter(pl.col("use_gpm") > pl.col("given_smoc_gpm"))["account_id"].to_list()


def test_no_change_among_the_first_loses_money_in_truth(swept: Swept):
    assert losing(swept) == []


def test_no_small_meter_is_overrun_at_a_leak(swept: Swept, scored: Score):
    assert overrun_at_leaks(swept.folder, scored) == []


def test_a_change_brings_enough_for_a_visit(swept: Swept):
    assert not swept.rows("""
        select account_id from latest_recommendation
        where action = 'change' and verdict <> 'undersized'
            and (net_benefit_usd_per_year < 50 or accuracy_gain_pct < 0.5 or payback_years > 7)
    """)


def test_oversized_is_never_said_of_a_same_size_change(swept: Swept):
    assert not swept.rows("""
        select account_id from latest_recommendation
        where verdict = 'oversized' and recommended_size_in >= installed_size_in
    """)


@pytest.mark.heavy
def test_no_more_of_the_first_changes_of_the_full_demo_lose_money_than_was_told(full: Swept):
    """None did while a costly change was asked for 0.85 instead of 0.75."""
    ((told,),) = full.rows(f"""
        select sum(1 - odds_of_benefit) from (
            select odds_of_benefit from latest_recommendation
            where action = 'change' and verdict <> 'undersized'
            order by net_benefit_usd_per_year desc limit {FIRST}
        )
    """)
    assert len(losing(full)) <= told


@pytest.mark.heavy
def test_no_small_meter_is_overrun_at_a_leak_of_the_full_demo(full: Swept):
    assert overrun_at_leaks(full.folder, score(full.folder)) == []


def realised_by_one_step(swept: Swept) -> float:
    """Realised share of the choice by odds alone, from the same samples as the sweep's."""
    candidates = pl.DataFrame(
        swept.rows(f"""
            select account_id, meter_type, size_in, grade, rejected_because,
                net_benefit_usd_per_year * odds_of_fit
            from candidate join (select max(sweep_id) as sweep_id from sweep) using (sweep_id)
            where not is_installed and odds_of_benefit >= {ONE_STEP_ODDS_OF_BENEFIT}
                and odds_of_fit >= {ONE_STEP_ODDS_OF_FIT}
        """),
        schema={
            "account_id": pl.String, "given_type": pl.String, "given_size_in": pl.Float64,
            "given_grade": pl.String, "why_not": pl.String, "worth_usd": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    broken = pl.col("why_not").fill_null("").str.split(", ")
    survivors = candidates.filter(
        broken.list.set_difference(["", *NOT_ASKED_THEN]).list.len() == 0
    )
    best = survivors.sort("worth_usd", descending=True).unique("account_id", keep="first")
    true_usd = pl.read_csv(swept.folder / "truth/candidates.csv").select(
        "account_id", given_type="meter_type", given_size_in="size_in", given_grade="grade",
        then_usd="net_benefit_usd_per_year",
    )  # fmt: skip
    then = best.join(
        true_usd, on=["account_id", "given_type", "given_size_in", "given_grade"]
    ).select("account_id", "then_usd")
    sites = score(swept.folder).assessed.filter(pl.col("true_verdict") != "undersized")
    joined = sites.join(then, on="account_id", how="left").with_columns(
        then_usd=pl.when(pl.col("action").is_in(["refer"]))
        .then(pl.col("given_usd"))
        .when(pl.col("then_usd").is_not_null())
        .then(pl.col("then_usd"))
        .when(pl.col("action") == "log_first")
        .then(pl.col("given_usd"))
        .otherwise(0.0)
    )
    return float(joined["then_usd"].sum() / joined["best_usd"].sum())


@pytest.mark.heavy
def test_the_choice_realises_no_less_than_odds_alone(full: Swept):
    assert score(full.folder).realised_share >= realised_by_one_step(full)


@pytest.mark.heavy
def test_most_meters_worth_changing_are_named_and_most_benefit_comes(full: Swept):
    result = score(full.folder)
    assert result.found_share(least_usd=100) >= NAMED_SHARE
    assert result.realised_share >= REALISED_SHARE


@pytest.mark.heavy
def test_the_sum_of_estimated_gains_is_near_the_true_sum(full: Swept):
    rows = changed(full)
    share = rows["promised_gal"].sum() / rows["true_gain_gal"].sum()
    assert SUM_OF_GAINS[0] <= share <= SUM_OF_GAINS[1]
