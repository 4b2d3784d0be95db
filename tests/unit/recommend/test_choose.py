"""The decision as a whole, on a made-up fleet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from rightsize.contracts.candidate import CANDIDATE
from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.results import FINDING, NOT_ASSESSED
from rightsize.errors import ContractError
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.choose import Decision, decide
from rightsize.recommend.rules.meter_rules import CONSTRAINTS
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

LIMITS = Thresholds()


@pytest.fixture(scope="module")
def decision() -> Decision:
    block, posterior, sites, meters = fleet(700)
    return decide(block, posterior, sites, meters, tariff(), LIMITS, units="us")


def test_accounts_in_are_accounts_out_in_order(decision: Decision) -> None:
    assert decision.recommendation["account_id"].to_list() == [f"A-{k:05d}" for k in range(700)]
    assert decision.not_assessed.height == (
        decision.recommendation.filter(pl.col("verdict") == "not_assessed").height
    )


def test_every_row_has_a_reason_with_a_figure(decision: Decision) -> None:
    reason = decision.recommendation["reason"]
    assert reason.null_count() == 0
    assert reason.str.contains(r"\d").all()
    assert reason.str.ends_with(".").all()
    assert not reason.str.contains(r"null|nan|NaN|\{|\}").any()


def test_a_change_passes_the_odds_and_pays(decision: Decision) -> None:
    paid = decision.recommendation.filter(pl.col("verdict").is_in(["oversized", "wrong_type"]))
    assert paid.height > 20
    assert paid["odds_of_benefit"].min() >= LIMITS.odds_of_benefit - LIMITS.odds_slack - 1e-6
    assert paid["odds_of_fit"].min() >= LIMITS.odds_of_fit - 1e-6
    assert paid["net_benefit_usd_per_year"].min() > 0


def test_all_verdicts_and_actions_follow_their_definitions(decision: Decision) -> None:
    rows = decision.recommendation
    assert set(rows["verdict"].unique()) >= {"fits", "undersized", "wrong_type"}
    under = rows.filter(pl.col("verdict") == "undersized")
    assert under["odds_of_undersized"].min() >= LIMITS.odds_of_undersized - 1e-6
    kept = rows.filter(pl.col("action") == "keep", pl.col("verdict") == "fits")
    assert (kept["recommended_type"] == kept["installed_type"]).all()
    assert (kept["volume_gain_gal_per_year"] == 0).all()


def test_a_stopped_meter_is_never_changed_and_its_reason_says_so_first(
    decision: Decision,
) -> None:
    block, posterior, sites, meters = fleet(700)
    stopped = replace(sites, last_use_on=("2025-11-20", None) * 350)
    judged = decide(
        block, posterior, stopped, meters, tariff(), LIMITS, units="us"
    ).recommendation
    is_stopped = pl.int_range(pl.len()) % 2 == 0
    assert_frame_equal(judged.filter(~is_stopped), decision.recommendation.filter(~is_stopped))
    before, now = (frame.filter(is_stopped) for frame in (decision.recommendation, judged))
    assert now["verdict"].to_list() == before["verdict"].to_list()
    assert {"change", "keep", "log_first"} <= set(before["action"])
    assessed = now.filter(pl.col("verdict") != "not_assessed")
    assert set(assessed["action"]) == {"refer"}
    said = "No registration since 2025-11-20: find out why before choosing a size; "
    assert assessed["reason"].str.starts_with(said).all()


FOR_MONEY_ALONE = Thresholds(
    min_gain_points=0, max_payback_years=100, min_net_benefit_usd_per_year=0,
    design_peak_share=1, wrong_size_cost_usd=0, odds_of_benefit=0.75,
    odds_of_costly_benefit=0.75, odds_without_log=0.75, tie_band_share=0,
    count_leak_repair=False,  # what this fleet misses is use
)  # fmt: skip


def test_oversized_is_where_a_smaller_meter_of_the_type_pays_and_a_smaller_one_comes() -> None:
    """Even where a meter of another type is better still; never of a same-size change."""
    block, posterior, sites, meters = fleet(700)
    rates = tariff(fixed_charge_usd_per_month={})  # by size, they keep the sizes as they are
    decision = decide(block, posterior, sites, meters, rates, FOR_MONEY_ALONE, units="us")
    rows = decision.recommendation
    installed = rows.select("account_id", "verdict", "installed_type", "installed_size_in")
    pays = (
        decision.candidate.join(installed, on="account_id")
        .filter(
            pl.col("feasible")
            & (pl.col("meter_type") == pl.col("installed_type"))
            & (pl.col("size_in") < pl.col("installed_size_in"))
            & (pl.col("odds_of_benefit") >= FOR_MONEY_ALONE.odds_of_benefit)
            & (pl.col("net_benefit_usd_per_year") > 0)
        )["account_id"]
        .unique()
    )
    smaller = rows.filter(pl.col("recommended_size_in") < pl.col("installed_size_in"))
    named = rows.filter(pl.col("verdict") == "oversized")
    assert named.height > 0
    assert set(named["account_id"]) == (set(pays) & set(smaller["account_id"])) - set(
        installed.filter(pl.col("verdict") == "undersized")["account_id"]
    )
    other = named.filter(pl.col("recommended_type") != pl.col("installed_type"))
    assert other.height > 0
    assert other["reason"].str.contains("would handle the demand and pay for itself").all()


def test_ranges_hold_their_estimate(decision: Decision) -> None:
    rows = decision.recommendation.filter(pl.col("verdict") != "not_assessed")
    names = [c for c in rows.columns if "_low_" in c and c != "low_flow_share"]
    assert len(names) >= 6
    for low in names:
        mid, high = low.replace("_low_", "_"), low.replace("_low_", "_high_")
        assert (rows[low] <= rows[mid]).all(), low
        assert (rows[mid] <= rows[high]).all(), mid


def test_candidates_say_why_they_lost(decision: Decision) -> None:
    rows = decision.candidate
    words = {
        w for t in rows["rejected_because"].drop_nulls().unique() for w in t.split(", ") if w
    }
    assert words <= set(CONSTRAINTS)
    assert (rows["feasible"] == rows["rank"].is_not_null()).all()
    silent = rows.filter(pl.col("rejected_because").is_null())
    assert silent.group_by("account_id").len()["len"].max() == 1
    assert rows.filter(~pl.col("feasible"))["rejected_because"].null_count() == 0


def test_the_recommended_meter_is_the_first_candidate(decision: Decision) -> None:
    changed = decision.recommendation.filter(pl.col("action") == "change").join(
        decision.candidate.filter(pl.col("rank") == 1), on=["account_id", "meter_id"]
    )
    assert changed.height > 20
    assert (changed["recommended_type"] == changed["meter_type"]).all()
    assert (changed["recommended_size_in"] == changed["size_in"]).all()


def test_money_adds_up(decision: Decision) -> None:
    """Net benefit is revenue, repair and lost charge less cost; a gained charge is left out."""
    rows = decision.recommendation.filter(pl.col("verdict") != "not_assessed")
    lost = np.minimum(rows["fixed_charge_change_usd_per_year"], 0)
    net = rows["revenue_gain_usd_per_year"] + rows["leak_repair_usd_per_year"] + lost
    net += rows["wear_gain_usd_per_year"]
    net -= rows["annual_cost_usd_per_year"]
    np.testing.assert_allclose(rows["net_benefit_usd_per_year"], net, atol=0.5)


def test_frames_keep_the_contracts_of_the_published_tables(decision: Decision) -> None:
    for frame, table in (
        (decision.recommendation, RECOMMENDATION),
        (decision.candidate, CANDIDATE),
        (decision.finding, FINDING),
        (decision.not_assessed, NOT_ASSESSED),
    ):
        shaped = as_block(frame, table)
        assert violations(shaped, table) == []


def test_fire_services_and_critical_customers_are_referred() -> None:
    block, posterior, sites, meters = fleet(300)
    kinds = ("fire", "combined") + ("domestic",) * 298
    critical = np.arange(300) >= 2
    sites = replace(sites, service_kind=kinds, is_critical=critical)
    result = decide(block, posterior, sites, meters, tariff(), LIMITS, units="us")
    fire = result.recommendation[:2]
    assert fire["verdict"].to_list() == ["not_assessed"] * 2
    assert fire["action"].to_list() == ["refer"] * 2
    assert fire["recommended_type"].null_count() == 2
    shown = result.candidate.filter(pl.col("account_id").is_in(["A-00000", "A-00001"]))
    assert not shown["feasible"].any()
    assert shown["rejected_because"].str.contains("fire_or_combined").all()
    assert "change" not in result.recommendation["action"].to_list()
    assert (result.recommendation["action"] == "refer").sum() > 10


def test_a_catalogue_without_a_feasible_meter_is_referred_not_an_error() -> None:
    block, posterior, sites, meters = fleet(50)
    tiny = meters.meters[0]
    only = Catalogue((tiny,))
    posterior = replace(
        posterior,
        registered_gal_per_year=posterior.registered_gal_per_year[:, :, :1],
        registered_envelope_low=posterior.registered_envelope_low[:, :1],
        registered_envelope_high=posterior.registered_envelope_high[:, :1],
    )
    none = np.zeros(50, dtype=np.int64)
    result = decide(
        replace(block, meter_index=none),
        posterior,
        replace(sites, meter_index=none),
        only,
        tariff(),
        LIMITS,
        units="us",
    )
    under = result.recommendation.filter(pl.col("verdict") == "undersized")
    assert under.height > 5
    assert (under["action"] == "refer").all()
    assert under["reason"].str.contains("no meter in the catalog").all()


def test_inputs_that_do_not_belong_together_are_refused() -> None:
    block, posterior, sites, meters = fleet(10)
    fewer = Catalogue(meters.meters[:-1])
    with pytest.raises(ContractError, match="meters of the catalog"):
        decide(block, posterior, sites, fewer, tariff(), LIMITS, units="us")
    other = replace(sites, meter_index=(sites.meter_index + 1) % 13)
    with pytest.raises(ContractError, match="different installed meters"):
        decide(block, posterior, other, meters, tariff(), LIMITS, units="us")


def test_an_empty_block_gives_empty_frames_of_the_same_columns(decision: Decision) -> None:
    block, posterior, sites, meters = fleet(0)
    empty = decide(block, posterior, sites, meters, tariff(), LIMITS, units="us")
    assert empty.recommendation.schema == decision.recommendation.schema
    assert empty.candidate.schema == decision.candidate.schema
    assert empty.finding.schema == decision.finding.schema


def test_chunks_do_not_show(decision: Decision, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("rightsize.recommend.choose.CHUNK_ACCOUNTS", 97)
    block, posterior, sites, meters = fleet(700)
    again = decide(block, posterior, sites, meters, tariff(), LIMITS, units="us")
    assert_frame_equal(again.recommendation, decision.recommendation, rel_tol=1e-5)
    assert_frame_equal(again.candidate, decision.candidate, rel_tol=1e-5)


def test_another_number_of_accounts_is_refused() -> None:
    block, _, sites, meters = fleet(10)
    _, fewer, _, _ = fleet(9)
    with pytest.raises(ContractError, match="differ in accounts"):
        decide(block, fewer, sites, meters, tariff(), LIMITS, units="us")


def test_odds_exactly_at_the_limit_of_undersized_reach_it(decision: Decision) -> None:
    odds = decision.recommendation["odds_of_undersized"]
    at = float(odds.filter((odds > 0.5) & (odds < 0.98)).sort()[0])
    over = float(np.nextafter(at, 1))
    parts = fleet(700)
    for limit, is_undersized in ((at, True), (over, False)):
        limits = Thresholds(odds_of_undersized=limit)
        rows = decide(*parts, tariff(), limits, units="us").recommendation
        verdicts = rows.filter(pl.col("odds_of_undersized") == at)["verdict"]
        assert verdicts.len() > 0
        assert (verdicts == "undersized").any() is is_undersized


def test_a_net_benefit_exactly_at_the_least_is_enough(decision: Decision) -> None:
    changed = decision.recommendation.filter(
        (pl.col("action") == "change") & (pl.col("verdict") != "undersized")
    ).sort("net_benefit_usd_per_year")
    row = changed.row(changed.height // 2, named=True)
    parts, at = fleet(700), float(row["net_benefit_usd_per_year"])
    above = float(np.nextafter(np.float32(at), np.float32(np.inf)))  # samples are of that kind
    for least, is_kept in ((at, True), (above, False)):
        limits = Thresholds(min_net_benefit_usd_per_year=least)
        rows = decide(*parts, tariff(), limits, units="us").recommendation
        same = rows.filter(pl.col("account_id") == row["account_id"]).row(0, named=True)
        keeps = (same["action"], same["net_benefit_usd_per_year"]) == ("change", at)
        assert keeps is is_kept


def test_only_meters_that_pass_come_before_the_installed_one(decision: Decision) -> None:
    sound = decision.recommendation.filter(
        ~pl.col("verdict").is_in(["undersized", "not_assessed"])
    )["account_id"]
    rows = decision.candidate.filter(
        pl.col("account_id").is_in(sound.implode()) & pl.col("feasible")
    )
    installed = rows.filter("is_installed").select("account_id", own_rank="rank")
    before = rows.join(installed, on="account_id").filter(pl.col("rank") < pl.col("own_rank"))
    assert before.height > 20
    assert (before["odds_of_benefit"] >= LIMITS.odds_of_benefit - LIMITS.odds_slack).all()
    assert (before["net_benefit_usd_per_year"] > 0).all()
