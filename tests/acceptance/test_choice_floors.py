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
REALISED_SHARE_BEFORE = 0.896  # of the default demo, when one step chose by odds alone
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
def test_no_change_among_the_first_of_the_full_demo_loses_money(full: Swept):
    assert losing(full) == []


@pytest.mark.heavy
def test_no_small_meter_is_overrun_at_a_leak_of_the_full_demo(full: Swept):
    assert overrun_at_leaks(full.folder, score(full.folder)) == []


@pytest.mark.heavy
def test_the_choice_realises_no_less_than_before(full: Swept):
    assert score(full.folder).realised_share >= REALISED_SHARE_BEFORE


@pytest.mark.heavy
@pytest.mark.xfail(
    reason="not reached: 0.73 (0.81 when over-promised changes were still among them). Of the"
    " true gain 2/3 is at six sites with a planted flow that no read shows; fleets of other"
    " seeds are at 0.61 and 0.67"
)
def test_the_sum_of_estimated_gains_is_near_the_true_sum(full: Swept):
    rows = changed(full)
    share = rows["promised_gal"].sum() / rows["true_gain_gal"].sum()
    assert SUM_OF_GAINS[0] <= share <= SUM_OF_GAINS[1]
