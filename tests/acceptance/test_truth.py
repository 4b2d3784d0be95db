"""The sweep of a demo against what was planted in it. PLANTED: the demo's own truth folder.

The floors are those that the method was set: they do not follow what it reached. A share of
some fifty sites is a small sample: it is refused when a method that just holds its floor would
show it less than once in twenty times. The full demo is held to the floors themselves.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest
from scipy.stats import binom

from tests.acceptance.demo_run import Swept, sweep_demo, tell
from tests.acceptance.scoring import Score, score

OVERRUN_SHARE_AT_MOST = 0.02
REALISED_SHARE_AT_LEAST = 0.75
LOGGED_SHARE_AT_MOST = 0.20
FALSE_UNDERSIZED_SHARE_AT_MOST = 0.03
FOUND_SHARE_AT_LEAST = 0.8
WORTH_USD = 100.0
PEAK_INSIDE = (0.85, 0.97)
GAIN_INSIDE = (0.85, 0.97)
ESTIMATED_OVER_TRUE = (0.85, 1.15)
SMALL_TOTAL_SPREAD = 1.6  # [1] of the total of the few changes among 60 accounts
FALSE_LEAK_SHARE_AT_MOST = 0.02
LEAK_AGE_DAYS = 60  # a planted leak that old must be told
OTHER_SEEDS = tuple(range(101, 109))  # of demos that set nothing
CHANCE = 0.05  # how rarely a method at its floor may fail by bad luck alone
CODES_IN_SERVICE = {
    "unlisted": "unknown_meter",
    "silent": "no_reads",
    "unmapped": "unmapped_class",
    "stopped": "stopped_meter",
}


def most(share: float, sites: int) -> float:
    """Largest share among so many sites that chance still explains."""
    return float(binom.ppf(1 - CHANCE, sites, share)) / sites


def least(share: float, sites: int) -> float:
    """Smallest share among so many sites that chance still explains."""
    return float(binom.ppf(CHANCE, sites, share)) / sites


def test_the_sweep_ends_well(swept: Swept):
    assert swept.ended.code == 0


def test_fire_and_combined_services_are_referred_and_never_resized(swept: Swept):
    truth = pl.read_csv(swept.folder / "truth/accounts.csv")
    fire = set(truth.filter(pl.col("kind").is_in(["fire", "combined"]))["account_id"])
    rows = swept.rows(
        "select account_id, action, verdict, recommended_type, recommended_size_in"
        " from latest_recommendation where service_kind in ('fire', 'combined')"
    )
    assert {r[0] for r in rows} == fire
    assert len(fire) >= 2
    assert {r[1:] for r in rows} == {("refer", "not_assessed", None, None)}


def test_every_listed_meter_in_service_has_one_verdict(swept: Swept):
    truth = pl.read_csv(swept.folder / "truth/accounts.csv").filter("is_listed")
    rows = swept.rows("select account_id, meter_id from latest_recommendation")
    assert sorted(rows) == sorted(truth.select("account_id", "meter_id").iter_rows())


def test_no_new_meter_is_overrun_by_the_true_peak(scored: Score):
    assert scored.overrun_share <= most(OVERRUN_SHARE_AT_MOST, len(scored.assessed))


def test_meters_worth_changing_are_named(scored: Score):
    worth = scored.worth_changing(least_usd=WORTH_USD).height  # some ten sites: chance tells
    assert scored.found_share(least_usd=WORTH_USD) >= least(FOUND_SHARE_AT_LEAST, worth)


def test_most_of_the_possible_benefit_is_realised(scored: Score):
    assert scored.realised_share >= REALISED_SHARE_AT_LEAST


def test_few_sites_are_sent_to_logging(scored: Score):
    assert scored.logged_share <= most(LOGGED_SHARE_AT_MOST, len(scored.assessed))


def test_meters_that_carry_their_flow_are_not_called_undersized(scored: Score):
    share = most(FALSE_UNDERSIZED_SHARE_AT_MOST, len(scored.assessed))
    assert scored.false_undersized_share <= share


def test_the_true_peak_lies_in_its_interval(scored: Score):
    assert scored.peak_inside_share >= least(PEAK_INSIDE[0], len(scored.assessed))


def test_the_true_gain_lies_in_its_interval(scored: Score):
    changes = scored.assessed.filter(pl.col("action") == "change").height
    assert scored.gain_inside_share >= least(GAIN_INSIDE[0], changes)


def test_the_changes_bring_about_what_was_estimated(scored: Score):
    low, high = ESTIMATED_OVER_TRUE
    spread = SMALL_TOTAL_SPREAD
    assert low / spread <= scored.estimated_over_true <= high * spread


def total_gain_gal(swept: Swept) -> tuple[float, float]:
    """The published 90 % range of what all changes gain together [gal/year]."""
    [ends] = swept.rows(
        "select volume_gain_low_gal_per_year, volume_gain_high_gal_per_year"
        " from fleet_total where scope = 'fleet'"
    )
    return ends[0], ends[1]


def leaks(folder: Path) -> tuple[set[str], set[str], float]:
    """Meters with an old planted leak, those of them told, and the share falsely told.

    Every leak that the demo plants as `possible_leak` is above its meter's starting flow.
    """
    results = folder / "workspace/published/results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        newest = "sweep_id = (select max(sweep_id) from sweep)"
        rows = connection.execute(
            f"select distinct meter_id from finding where code = 'possible_leak' and {newest}"
        ).fetchall()
        [[last_on, meters]] = connection.execute(
            f"select max(last_read_on), count(*) from profile where {newest}"
        ).fetchall()
    told_of = {r[0] for r in rows}
    planted = pl.read_csv(
        folder / "truth/planted.csv",
        infer_schema_length=None,
        schema_overrides={"from_on": pl.Date},
    ).filter(pl.col("code") == "possible_leak")
    old = planted.filter((last_on - pl.col("from_on")).dt.total_days() > LEAK_AGE_DAYS)
    false = told_of - set(planted["meter_id"])
    return set(old["meter_id"]), told_of & set(old["meter_id"]), len(false) / meters


def test_old_leaks_are_told_and_few_falsely(swept: Swept):
    planted, told_of, false_share = leaks(swept.folder)
    accounts = len(pl.read_csv(swept.folder / "truth/accounts.csv"))
    assert len(planted) >= 2
    assert told_of == planted
    assert false_share <= most(FALSE_LEAK_SHARE_AT_MOST, accounts)


@pytest.mark.parametrize(("trouble", "code"), CODES_IN_SERVICE.items())
def test_what_was_planted_is_found(swept: Swept, trouble: str, code: str):
    planted = pl.read_csv(swept.folder / "truth/accounts.csv").filter(
        pl.col("trouble") == trouble
    )
    assert len(planted) > 0
    found = {r[0] for r in swept.rows(f"select meter_id from finding where code = '{code}'")}
    assert set(planted["meter_id"]) <= found


def test_a_new_account_is_not_assessed_for_want_of_days(swept: Swept):
    planted = pl.read_csv(swept.folder / "truth/accounts.csv").filter(
        pl.col("trouble") == "new"
    )
    rows = dict(swept.rows("select account_id, code from not_assessed"))
    assert {rows.get(a) for a in planted["account_id"]} == {"too_few_days"}


@pytest.fixture(scope="module")
def full_demo(tmp_path_factory: pytest.TempPathFactory) -> Swept:
    return sweep_demo(tmp_path_factory.mktemp("full") / "demo", accounts=400)


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_the_full_demo_meets_the_same_floors(full_demo: Swept):
    result = tell(score(full_demo.folder), "400 accounts, 13 months")
    assert full_demo.ended.code == 0
    assert result.overrun_share <= OVERRUN_SHARE_AT_MOST
    assert result.realised_share >= REALISED_SHARE_AT_LEAST
    assert result.logged_share <= LOGGED_SHARE_AT_MOST
    assert result.false_undersized_share <= FALSE_UNDERSIZED_SHARE_AT_MOST
    assert PEAK_INSIDE[0] <= result.peak_inside_share <= PEAK_INSIDE[1]
    assert GAIN_INSIDE[0] <= result.gain_inside_share <= GAIN_INSIDE[1]
    low, high = total_gain_gal(full_demo)
    changes = result.assessed.filter(pl.col("action") == "change")
    assert low <= changes["true_gain_gal"].sum() <= high


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_the_full_demo_estimates_the_gain_that_comes(full_demo: Swept):
    result = score(full_demo.folder)
    assert ESTIMATED_OVER_TRUE[0] <= result.estimated_over_true <= ESTIMATED_OVER_TRUE[1]


@pytest.mark.heavy
def test_full_demos_together_estimate_the_gain_that_comes(
    full_demo: Swept, tmp_path_factory: pytest.TempPathFactory
):
    """Of nine demos: one demo's total hangs on which of its dozen hidden leaks are changed."""
    folder = tmp_path_factory.mktemp("others")
    others = [sweep_demo(folder / f"{k}", accounts=400, seed=k).folder for k in OTHER_SEEDS]
    sites = pl.concat([score(f).assessed for f in (full_demo.folder, *others)])
    changes = sites.filter(pl.col("action") == "change")
    ratio = changes["gain_gal"].sum() / changes["true_gain_gal"].sum()
    assert ESTIMATED_OVER_TRUE[0] <= ratio <= ESTIMATED_OVER_TRUE[1]


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_the_full_demo_finds_the_planted_leaks(full_demo: Swept):
    planted, told_of, _ = leaks(full_demo.folder)
    assert told_of == planted


@pytest.mark.heavy
def test_the_full_demo_tells_few_leaks_falsely(full_demo: Swept):
    _, _, false_share = leaks(full_demo.folder)
    assert false_share <= FALSE_LEAK_SHARE_AT_MOST
