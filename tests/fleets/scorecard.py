"""What was estimated at a fleet against what came: the figures of the calibration page."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import polars as pl

from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import learn_from, steady_by_class
from rightsize.inference.meter.service import ServiceRecord
from tests.fleets import judge
from tests.fleets.unseen import gained_knowing_all_else

MORE_SEED = 15485864  # of further samples: any other seed
ODDS_FROM = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9)
SIZE_ENDS = (0.1, 0.25, 0.5)  # of the changes, the largest estimate first
SIZE_WORDS = ("largest tenth", "to a quarter", "to half", "the rest")


@dataclass
class Card:
    """Counts and sums over accounts; cards add up."""

    accounts: int = 0
    changed: int = 0
    overrun: int = 0
    logged: int = 0
    false_undersized: int = 0
    gain_in: int = 0
    promise_in: int = 0
    peak_in: int = 0
    peak_above: int = 0
    promised_gal: float = 0.0
    true_gal: float = 0.0
    gained_usd: float = 0.0
    oracle_usd: float = 0.0
    by_flow_usd: float = 0.0  # of the best choice if flow is known and curves are not
    by_spread_usd: float = 0.0  # of the rules if flow is known, and how curves differ
    by_mean_usd: float = 0.0  # of the highest mean then, whatever the risk
    by_all_but_unseen_usd: float = 0.0  # of the rules, if all but unseen steady flow is known
    log_spread_usd: float = 0.0  # of the cost of logs, what later years bear
    totals: int = 0  # fleets that a total was published for
    totals_in: int = 0
    odds: np.ndarray = field(default_factory=lambda: np.zeros((len(ODDS_FROM), 3)))
    by_size: np.ndarray = field(default_factory=lambda: np.zeros((len(SIZE_WORDS), 2)))
    by_group: dict = field(default_factory=dict)  # group -> Card, one level down
    by_fleet: list = field(default_factory=list)  # Card of each fleet

    def add(self, other):
        """Sums of two cards, in place."""
        for name, value in vars(other).items():
            if name not in ("by_group", "by_fleet"):
                setattr(self, name, getattr(self, name) + value)
        for key, card in other.by_group.items():
            self.by_group.setdefault(key, Card()).add(card)
        return self

    def of_best_pct(self, usd):
        """A benefit as share of the best choice's [%]."""
        return 100 * usd / self.oracle_usd if self.oracle_usd else np.nan

    @property
    def figures(self):
        """The figures with a floor, and those beside them."""
        n = max(self.accounts, 1)
        return {
            "promised_over_true": self.promised_gal / self.true_gal
            if self.true_gal
            else np.nan,
            "gain_in_pct": 100 * self.gain_in / n,
            "promise_in_pct": 100 * self.promise_in / max(self.changed, 1),
            "peak_in_pct": 100 * self.peak_in / n,
            "overrun_pct": 100 * self.overrun / n,
            "realised_pct": self.of_best_pct(self.gained_usd),
            "log_spread_pct": self.of_best_pct(self.gained_usd + self.log_spread_usd),
            "by_all_but_unseen_pct": self.of_best_pct(self.by_all_but_unseen_usd),
            "by_flow_pct": self.of_best_pct(self.by_flow_usd),
            "by_spread_pct": self.of_best_pct(self.by_spread_usd),
            "by_mean_pct": self.of_best_pct(self.by_mean_usd),
            "logged_pct": 100 * self.logged / n,
            "false_undersized_pct": 100 * self.false_undersized / n,
            "totals_in": f"{self.totals_in:.0f} of {self.totals:.0f}",
        }


def infer_fleet(
    block, meters, priors, *, samples=64, seed=1, age_years=None, logs=None, **more
):
    """The product's own way from profiles to what flowed, and what is told of ages and logs."""
    if age_years is not None:
        unknown = np.full(block.size, np.nan)
        more["services"] = ServiceRecord(unknown, unknown, age_years)
    learnt = learn_from([steady_by_class([block], meters, priors, logs)], priors)
    return infer(
        block, meters, priors, samples=samples, seed=seed, learnt=learnt, logs=logs, **more
    )


def with_further_samples(posterior, block, meters, priors, **more):
    """The samples that decide where a choice is near a threshold, as the product draws them."""
    count = judge.THRESHOLDS.draws_near_threshold
    further = infer_fleet(block, meters, priors, samples=count, seed=MORE_SEED, **more)
    return posterior.with_more(further)


def card_of(truth, block, meters, posterior, *, decides=None, wrong_curves=False, makes=False):
    """The card of a fleet at one read interval, also by class and by installed type.

    Ranges of accounts are those of `posterior`; `decides` has the samples that decisions rest
    on, the same if not given. `makes`: new meters are of other makes than the catalog's.
    """
    if makes:
        truth = replace(truth, registered_gal=truth.other_makes_gal)
    oracle = judge.oracle_of(truth, block, meters)
    decision = judge.decided(block, decides or posterior, meters)
    found = judge.scores(truth, block, meters, posterior, decision, oracle)
    rows = np.arange(block.size)
    changed = decision.chosen != block.meter_index
    true_gal = (truth.registered_gal[rows, decision.chosen] - truth.installed_gal) * judge.YEAR
    mean, low, high = decision.promised_gal
    slack = judge.SLACK_POINTS / 100 * truth.actual_gal
    smoc = np.array([m.smoc_gpm for m in meters])
    by_rules_usd, by_mean_usd = (
        judge.gained_by_flow_and_spread(truth, block, meters, oracle, makes=makes)
        if wrong_curves
        else (oracle.best_usd, oracle.best_usd)
    )
    columns = {
        "accounts": np.ones(block.size),
        "changed": changed,
        "overrun": changed & (truth.peak_10s_gpm > smoc[decision.chosen]),
        "logged": decision.action == "log_first",
        "false_undersized": found["is_false_undersized"],
        "gain_in": found["is_gain_in"],
        "promise_in": changed & (low - slack <= true_gal) & (true_gal <= high + slack),
        "peak_in": found["is_peak_in"],
        "peak_above": found["is_peak_above"],
        "promised_gal": np.where(changed, mean, 0.0),
        "true_gal": np.where(changed, true_gal, 0.0),
        "gained_usd": found["gained"],
        "oracle_usd": oracle.best_usd,
        "by_flow_usd": judge.gained_by_flow_alone(truth, block, meters, oracle),
        "by_spread_usd": by_rules_usd,
        "by_mean_usd": by_mean_usd,
        "by_all_but_unseen_usd": gained_knowing_all_else(truth, block, meters, oracle),
        "log_spread_usd": np.where(
            decision.logged, judge.log_cost_of_later_years_usd(block, posterior, meters), 0.0
        ),
    }
    card = _summed(columns, rows >= 0)
    card.odds = _reliability(decision.candidate, block, oracle)
    card.by_size = _by_size(mean[changed], true_gal[changed])
    ids = np.array(block.account_id)
    mine = changed & (decision.action == "change")
    if mine.any():
        card.totals = 1
        card.totals_in = int(
            _total_holds(decision.gain_sample, set(ids[mine]), true_gal[mine].sum())
        )
    kinds = np.array([s.kind for s in truth.site])
    types = np.array([meters[k].meter_type for k in block.meter_index])
    for name, label in (("kind", kinds), ("type", types)):
        for value in np.unique(label):
            card.by_group[name, str(value)] = _summed(columns, label == value)
    return card, columns | {"best": oracle.best, "chosen": decision.chosen}


def _by_size(estimated_gal, true_gal):
    """Sums of estimated and true gain of the largest estimates, and of the others."""
    order = np.argsort(-estimated_gal)
    ends = [0, *(round(share * len(order)) for share in SIZE_ENDS), len(order)]
    parts = [order[a:b] for a, b in pairwise(ends)]
    return np.array([[estimated_gal[k].sum(), true_gal[k].sum()] for k in parts])


def _total_holds(gain_sample, accounts, true_gal):
    """Whether the true sum lies in the 90 % range of the published samples' sums."""
    mine = gain_sample.filter(pl.col("account_id").is_in(list(accounts)))
    sums = mine.group_by("sample").agg(pl.col("volume_gain_gal_per_year").sum())
    low, high = np.quantile(sums["volume_gain_gal_per_year"].to_numpy(), [0.05, 0.95])
    return int(low <= true_gal <= high)


def _reliability(candidate, block, oracle):
    """By odds of benefit as told: how many, the sum of the odds, how many truly pay."""
    mine = candidate.filter(~pl.col("is_installed") & pl.col("odds_of_benefit").is_not_null())
    keys = mine["account_id"].to_list()
    place = {name: k for k, name in enumerate(block.account_id)}
    count = oracle.net_usd.shape[1]
    order = {}
    for row, name in enumerate(candidate["account_id"].to_list()):
        order.setdefault(name, row)
    index = (
        candidate.with_row_index("at")
        .filter(~pl.col("is_installed") & pl.col("odds_of_benefit").is_not_null())["at"]
        .to_numpy()
    )
    account = np.array([place[k] for k in keys], dtype=np.int64)
    meter = index - np.array([order[k] for k in keys], dtype=np.int64)
    told = mine["odds_of_benefit"].to_numpy()
    pays = oracle.net_usd[account, np.clip(meter, 0, count - 1)] > 0
    step = np.searchsorted(ODDS_FROM, told, side="right") - 1
    return np.stack(
        [np.bincount(step, w, len(ODDS_FROM)) for w in (np.ones(len(told)), told, pays)], axis=1
    )


def _summed(columns, mine):
    return Card(**{k: v[mine].sum() for k, v in columns.items()})


def lines(title, cards):
    """A table of cards by name, as Markdown rows."""
    names = list(Card().figures)
    out = [" | ".join([title, "accounts", "changed", *names])]
    for name, card in cards.items():
        cells = [v if isinstance(v, str) else f"{v:.3g}" for v in card.figures.values()]
        out.append(
            " | ".join([str(name), f"{card.accounts:.0f}", f"{card.changed:.0f}", *cells])
        )
    return out
