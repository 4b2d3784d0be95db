"""What logs and tests bring in truth at simulated fleets, against what was promised of them.

    python -m tests.fleets.learned

Each site's truth is drawn apart from the samples. A log of it is its true peaks, volumes and
steady flow with the stated errors; the samples are weighed by it, the product's rules choose
anew, and the choice is held against the truth.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.demand.bands import BAND_CENTRES_GPM
from rightsize.knowing.kinds import KINDS, SHOWS_PEAK
from rightsize.knowing.observed import Drawn, is_possible, observed
from rightsize.knowing.weights import weights_given
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.case import prepare
from rightsize.recommend.choose import judged
from rightsize.recommend.learning.rules_again import RulesAgain
from rightsize.recommend.learning.value_of_learning import (
    drawn_at,
    errors_of,
    value_of_learning,
)
from tests.fleets import judge
from tests.fleets.logged import logged_fleet
from tests.fleets.scorecard import infer_fleet

FLEETS = (("simulated", 711), ("simulated", 712), ("wrong", 713), ("wrong", 714))
DRAWS, RANGE = 2000, (0.05, 0.95)
OF_CURVES = "accuracy_test"  # the installed meter's own curve is not among the truths kept


@dataclass
class Learned:
    """One row a kind of learning at a site of a fleet: promised and found [N]."""

    site: np.ndarray  # number, unique over fleets
    kind: np.ndarray  # place in KINDS
    promised_usd: np.ndarray  # expected gain
    found_usd: np.ndarray  # in truth, of one log with its error
    benefit_usd: (
        np.ndarray
    )  # net benefit a year promised of the best meter beside the installed
    present_usd: np.ndarray  # true worth of today's decision
    oracle_usd: np.ndarray  # of the best decision by true flow and the product's rules
    sites: int  # of the fleet, with those where nothing is to be learned


def learned(truth, block, meters, posterior, *, seed=5, thresholds=judge.THRESHOLDS):
    """Promised and found gain of every kind of learning at every site of a fleet."""
    sites, catalogue = judge.site_block(block), Catalogue(tuple(meters))
    case = prepare(block, posterior, sites, catalogue, judge.TARIFF, thresholds, units="us")
    every = slice(0, block.size)
    found = judged(case, every)
    held = found.learnable
    promise = value_of_learning(case, every, held)
    drawn = drawn_at(case, posterior, every, held.account)
    true = _true(truth, meters, drawn, held.account, block)
    value = true_value(truth, block, meters, case, held)
    best_usd = _oracle(truth, block, meters, case, held)
    rules = RulesAgain(held, thresholds)
    errors = errors_of(thresholds)
    rng = np.random.default_rng([seed, 20])
    rows = np.arange(len(held.account))
    after = np.zeros((len(KINDS), block.size))
    before = np.zeros(block.size)
    before[held.account] = value[rows, held.present]
    for k, kind in enumerate(KINDS):
        if kind == OF_CURVES or not is_possible(kind, drawn, errors).any():
            continue
        weights = [
            _weighed(group, truth_seen, rng)
            for group, truth_seen in zip(
                observed(kind, drawn, errors).groups,
                observed(kind, true, errors).groups,
                strict=True,
            )
        ]
        then = rules.choose(*weights, shows_peak=kind in SHOWS_PEAK)[:, 0]
        after[k, held.account] = value[rows, then]
    benefit = np.zeros(block.size)
    benefit[held.account] = np.max(held.net_usd.mean(axis=1), axis=1, initial=0.0)
    oracle = np.zeros(block.size)
    oracle[held.account] = best_usd
    told = np.flatnonzero(promise.kind != KINDS.index(OF_CURVES))
    at, which = promise.account[told], promise.kind[told]
    return Learned(
        site=at,
        kind=which,
        promised_usd=promise.gain_usd[told],
        found_usd=after[which, at] - before[at],
        benefit_usd=benefit[at],
        present_usd=before[at],
        oracle_usd=oracle[at],
        sites=block.size,
    )


def _weighed(drawn, true, rng):
    """Weights of the samples [A, 1, J] by one log of the truth, with its error."""
    seen = true[:, 0] + rng.standard_normal(true[:, 0].shape)
    weights = weights_given(drawn.transpose(1, 0, 2), seen.astype(np.float32))
    return np.ascontiguousarray(weights.T[:, None])


def _true(truth, meters, drawn, account, block):
    """The truth as the one sample."""
    installed = meter_arrays(tuple(meters))
    index = block.meter_index[account]
    low = BAND_CENTRES_GPM[None] < installed.normal_min_gpm[index][:, None]
    share = truth.band_gal[account] / truth.band_gal[account].sum(axis=1, keepdims=True)
    return Drawn(
        peak_gpm=truth.peak_10s_gpm[None, account],
        sustained_gpm=truth.sustained_60min_gpm[None, account],
        steady_gpm=np.array([[truth.site[a].leak_gpm for a in account]]),
        registration=(truth.installed_gal / truth.actual_gal)[None, account],
        low_flow_share=(share * low).sum(axis=1)[None],
        test_ratio=None,
        pipe_in=drawn.pipe_in,
        interval_min=drawn.interval_min,
        has_peak_register=drawn.has_peak_register,
    )


def true_value(truth, block, meters, case, held):
    """Present value of every option at every open account in truth [P, K + 1]."""
    oracle = judge.oracle_of(truth, block, meters)
    at = held.account[:, None]
    rated, index = meter_arrays(tuple(meters)), block.meter_index[held.account]
    over = (truth.peak_10s_gpm[held.account] > rated.smoc_gpm[index]) | (
        truth.sustained_60min_gpm[held.account] > rated.continuous_gpm[index]
    )
    net = oracle.net_usd[at, held.meter]
    fits = (truth.peak_10s_gpm[at] <= rated.smoc_gpm[held.meter]) & (
        truth.sustained_60min_gpm[at] <= rated.continuous_gpm[held.meter]
    )
    good = np.where(over[:, None], np.maximum(net, 0), net)
    value = np.where(fits, good, np.minimum(net, 0) - held.wrong_usd)
    value = value * held.present_value[:, None]
    kept = -case.thresholds.wrong_size_cost_usd * over
    return np.concatenate([kept[:, None], np.where(held.is_there, value, -np.inf)], axis=1)


def _oracle(truth, block, meters, case, held):
    """True worth of the best of the options."""
    return true_value(truth, block, meters, case, held).max(axis=1)


def fleets(members=FLEETS, **more):
    """Learned of several fleets, sites numbered through."""
    meters, priors = tuple(load_catalogue().meters), load_priors()
    parts, first = [], 0
    for kind, seed in members:
        truth, block, _ = logged_fleet(kind, seed, meters, **more)
        one = learned(truth, block, meters, infer_fleet(block, meters, priors))
        parts.append(replace(one, site=one.site + first))
        first += block.size
    names = ("site", "kind", "promised_usd", "found_usd", "benefit_usd", "present_usd",
             "oracle_usd")  # fmt: skip
    return Learned(
        **{n: np.concatenate([getattr(p, n) for p in parts]) for n in names}, sites=first
    )


def slope(promised, found):
    """Slope of found on promised through the origin."""
    return float((promised * found).sum() / (promised**2).sum())


def slope_range(promised, found):
    """Its 90 % range: sites drawn anew."""
    drawn = np.random.default_rng(20).integers(0, len(found), (DRAWS, len(found)))
    return np.quantile([slope(promised[d], found[d]) for d in drawn], RANGE)


def main():
    """Figures of every kind."""
    got = fleets(tuple((a.split(":")[0], int(a.split(":")[1])) for a in sys.argv[1:]) or FLEETS)
    print(f"{got.sites} sites")
    for k, kind in enumerate(KINDS):
        mine = got.kind == k
        p, f = got.promised_usd[mine], got.found_usd[mine]
        if not mine.any():
            continue
        order, (low, high) = np.argsort(-p), slope_range(p, f)
        parts = " ".join(
            f"{p[o].sum():,.0f}/{f[o].sum():,.0f}" for o in np.array_split(order, 4)
        )
        print(
            f"{kind}: {mine.sum()} rows, promised {p.sum():,.0f}, found {f.sum():,.0f},"
            f" ratio {f.sum() / p.sum():.2f}, slope {slope(p, f):.2f}"
            f" ({low:.2f} to {high:.2f});"
            f" by quarter {parts}"
        )


if __name__ == "__main__":
    main()
