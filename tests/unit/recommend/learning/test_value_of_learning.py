"""What is to be learned at an account, by the product's own rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from rightsize.knowing.kinds import KINDS
from rightsize.recommend.case import prepare
from rightsize.recommend.choose import decide, judged
from rightsize.recommend.learning.rules_again import RulesAgain, true_value_usd
from rightsize.recommend.learning.value_of_learning import value_of_learning
from rightsize.settings import Thresholds
from tests.unit.recommend.one_account import decided, sold
from tests.unit.recommend.synthetic import fleet, tariff

ACCOUNTS, SAMPLES = 400, 40
EVERY = slice(0, ACCOUNTS)
LIMITS = Thresholds(count_leak_repair=False)


def prepared(limits=LIMITS, *, spread=0.5, seed=3, **site):
    block, posterior, sites, meters = fleet(ACCOUNTS, draws=SAMPLES, spread=spread, seed=seed)
    rng = np.random.default_rng(4)
    test = 1 + 0.01 * rng.standard_normal((SAMPLES, ACCOUNTS, 3))
    posterior = replace(posterior, installed_test_ratio=test)
    sites = replace(sites, **site)
    return prepare(block, posterior, sites, meters, tariff(), limits, units="us")


@pytest.fixture(scope="module")
def case():
    return prepared()


@pytest.fixture(scope="module")
def found(case):
    return judged(case, EVERY)


@pytest.fixture(scope="module")
def learning(case, found):
    return value_of_learning(case, EVERY, found.learnable)


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_with_even_weights_the_rules_choose_what_the_product_chooses(seed):
    """The same decision by another way, but where a log is awaited: rules have one home."""
    case = prepared(seed=seed)
    found = judged(case, EVERY)
    held = found.learnable
    even = np.full((len(held.account), 1, SAMPLES), 1 / SAMPLES, dtype=np.float32)
    again = RulesAgain(held, LIMITS).choose(even, even, shows_peak=False)[:, 0]
    assert len(again) > 100
    assert (held.present > 0).sum() > 20
    waits = found.choice.action[held.account] == "log_first"
    assert np.array_equal(again[~waits], held.present[~waits])
    changed = held.present > 0
    rows = np.flatnonzero(changed)
    meter = held.meter[rows, held.present[rows] - 1]
    assert np.array_equal(meter, found.choice.chosen[held.account[rows]])
    assert set(found.choice.action[held.account[rows]]) == {"change"}


def test_an_account_is_closed_only_where_nothing_can_be_chosen(found):
    """Where the product changes a meter, learning is open, unless a person decides."""
    changes = np.flatnonzero(found.choice.action == "change")
    assert set(changes) <= set(found.learnable.account)


def test_a_kind_that_shows_peaks_is_worth_something_somewhere(learning):
    assert set(learning.kind) <= set(range(len(KINDS)))
    for kind in ("flow_logging", "peak_register", "finer_interval"):
        assert learning.gain_usd[learning.kind == KINDS.index(kind)].max() > 0
    assert np.all((learning.odds_of_other > 0) & (learning.odds_of_other <= 1))


def test_what_says_nothing_is_worth_nothing(case):
    """Where no sample has steady flow, nights, which measure no more, change no decision."""
    none = replace(case.posterior, steady_gpm=np.zeros((SAMPLES, ACCOUNTS)))
    still = replace(case, posterior=none)
    told = value_of_learning(still, EVERY, judged(still, EVERY).learnable)
    assert KINDS.index("night_logging") not in told.kind
    assert KINDS.index("flow_logging") in told.kind


def test_a_better_log_is_worth_more_over_a_fleet():
    gain = {}
    for error in (0.05, 0.4, 2.0):
        limits = LIMITS.model_copy(update={"peak_register_error_share": error})
        case = prepared(limits)
        told = value_of_learning(case, EVERY, judged(case, EVERY).learnable)
        gain[error] = told.gain_usd[told.kind == KINDS.index("peak_register")].sum()
    assert gain[0.05] > gain[0.4] > gain[2.0]


@pytest.mark.parametrize(
    "site",
    [
        {"is_critical": np.ones(ACCOUNTS, bool)},
        {"service_kind": ("fire",) * ACCOUNTS},
        {"service_kind": ("wholesale",) * ACCOUNTS},
        {"last_use_on": ("2026-01-01",) * ACCOUNTS},
    ],
    ids=["critical", "fire", "wholesale", "stopped"],
)
def test_where_a_person_decides_nothing_is_to_be_learned(site):
    case = prepared(**site)
    assert judged(case, EVERY).learnable is None
    assert value_of_learning(case, EVERY, None).kind.size == 0


def test_kinds_that_the_utility_cannot_do_are_left_out():
    case = prepared(LIMITS.model_copy(update={"learning_kinds": ("peak_register",)}))
    told = value_of_learning(case, EVERY, judged(case, EVERY).learnable)
    assert set(told.kind) == {KINDS.index("peak_register")}


def test_fine_reads_need_no_finer_ones_and_a_peak_register_no_second(case):
    block = replace(
        case.block,
        interval_min=np.full(ACCOUNTS, 5.0),
        peak_register_gpm=np.full(ACCOUNTS, 30.0),
    )
    fine = replace(case, block=block)
    told = value_of_learning(fine, EVERY, judged(fine, EVERY).learnable)
    assert not set(told.kind) & {KINDS.index("finer_interval"), KINDS.index("peak_register")}


def test_rows_are_published_with_cost_net_and_one_best_kind(case):
    decision = decide(
        case.block, case.posterior, case.sites, case.catalogue, tariff(), LIMITS, units="us"
    )
    rows = decision.value_of_knowing
    assert rows.height > 50
    net = rows["expected_gain_usd"] - rows["cost_usd"]
    assert np.allclose(net.to_numpy(), rows["net_usd"].to_numpy())
    best = rows.filter("is_best")
    assert best.height == rows["meter_id"].n_unique()
    top = rows.group_by("meter_id").agg(most=pl.col("net_usd").max())
    joined = best.join(top, on="meter_id")
    assert (joined["net_usd"] == joined["most"]).all()
    kept = rows.filter(rows["decides"] == "keep")
    assert kept["decides_type"].null_count() == kept.height


SMALL = sold("displacement", 1.0, 50, 500)


def test_a_leak_in_one_of_four_samples_is_worth_two_nights():
    """HAND: keep today. With odds 1/4 a leak of 100,000 gal a year is unseen: 1,000 USD a year
    for 20 years at no interest, less the meter for 500: 19,500. Today's odds of benefit are
    1/4, below those asked. Nights tell it: the gain is 1/4 x 19,500, or 4,875."""
    gains = [[100_000.0] * 5 + [0.0] * 15]
    decision = decided([SMALL], gains, peak_gpm=20.0, steady_gpm=[2.0] * 5 + [0.0] * 15)
    row = decision.value_of_knowing.filter(
        decision.value_of_knowing["kind"] == "night_logging"
    ).row(0, named=True)
    assert decision.recommendation["action"][0] == "log_first"
    assert row["expected_gain_usd"] == pytest.approx(4875)
    assert row["odds_of_other_choice"] == pytest.approx(0.25)
    assert row["decides"] == "smaller_meter"
    assert row["decides_type"] == "displacement"


def test_a_longer_life_does_not_make_a_meter_worth_more_than_its_yearly_benefit(case):
    """LAW: of meters that fit, the one of more net benefit a year is the better decision."""
    worth = np.linspace(8, 14, len(case.costs.present_value_factor))  # lives of all lengths
    various = replace(case, costs=replace(case.costs, present_value_factor=worth))
    held = judged(various, EVERY).learnable
    value = true_value_usd(held, overrun_usd=LIMITS.wrong_size_cost_usd)[..., 1:]
    plain = held.fits & ~held.is_over[..., None] & held.is_there[:, None]
    yearly = np.where(plain, held.net_usd, -np.inf).argmax(axis=2)
    whole = np.where(plain, value, -np.inf).argmax(axis=2)
    assert (plain.sum(axis=2) > 1).sum() > 1000
    assert np.array_equal(yearly, whole)
