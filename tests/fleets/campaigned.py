"""What a campaign's logs bring in truth, against simple rankings with as many logs.

    python -m tests.fleets.campaigned simulated:601 simulated:602 recorded:31

Every site of a fleet has a log of two weeks, made of its true flow. What a log brings is what
the product's own inference and rules decide with it, in truth, less what they decide without
it: present value over the meters' lives, with the cost of an overrun meter. Flow and the
installed meter are the true ones; a new meter is of any make of its type and size, on average,
since no log tells which. Logs teach no other site here, so that any choice of sites is worth
the sum over them. Two nights of the same log, and the register's own peak flow, are held
against what is promised of them in the same way.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, fields, replace

import numpy as np
import polars as pl

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.campaign.choose_campaign import choose_campaign
from rightsize.campaign.learning_options import Limits, Options
from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import learn_from, steady_by_class
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.case import prepare
from rightsize.recommend.choose import judged
from tests.fleets import judge
from tests.fleets.logged import LOGGED_SHARE, logged_fleet

WEEKS = 4
KIND = "flow_logging"
OTHER_KINDS = ("night_logging", "peak_register")
NIGHTS = 2
REGISTER_SHARE = 0.75  # of what a register shows, at least, is the peak that 10 s hold
DWELLINGS = ("flat", "home")  # of recorded fleets: single ones, which hold no planted leak
DRAWS, RANGE = 2000, (0.05, 0.95)  # of sites or fleets, for ranges


@dataclass(frozen=True)
class Sites:
    """One row a site of one or more fleets [N]."""

    kind: np.ndarray  # of the site, as the fleet was planted
    customer_class: np.ndarray
    promised_usd: np.ndarray  # expected gain of two weeks of flow; 0 where none is told
    benefit_usd: np.ndarray  # net benefit a year promised of the best other meter
    found_usd: np.ndarray  # what its log brings in truth, on average over makes
    of_one_make_usd: np.ndarray  # the same with the one make that the fleet's truth has

    @property
    def size(self) -> int:
        """Sites."""
        return len(self.found_usd)

    @property
    def logs(self) -> int:
        """Logs of a campaign."""
        return int(LOGGED_SHARE * self.size)


def sites_of(kind, seed, meters, priors, *, samples=64, learning=KIND, **more):
    """Promised and found value of a kind of learning at every site of a fleet."""
    truth, block, logs = logged_fleet(kind, seed, meters, **more)
    learnt = learn_from([steady_by_class([block], meters, priors, None)], priors)

    def decision(reads, held, known):
        posterior = infer(
            reads, meters, priors, samples=samples, seed=1, learnt=learnt, logs=held
        )
        return judge.decision_of(reads, posterior, meters, known), posterior

    before, posterior = decision(block, None, ())
    after, _ = decision(*brought(learning, truth, block, logs, seed))
    case = prepare(
        block, posterior, judge.site_block(block), Catalogue(tuple(meters)), judge.TARIFF,
        judge.THRESHOLDS, units="us",
    )  # fmt: skip
    held = judged(case, slice(0, block.size)).learnable
    benefit = np.zeros(block.size)
    benefit[held.account] = np.max(held.net_usd.mean(axis=1), axis=1, initial=0.0)
    rows = np.arange(block.size)
    chosen = [judge._chosen(d.recommendation, block, meters) for d in (before, after)]
    told = before.value_of_knowing.filter(pl.col("kind") == learning)
    order = before.recommendation.select("meter_id")
    promised = order.join(told, on="meter_id", how="left", maintain_order="left")
    return Sites(
        np.array([site.kind for site in truth.site]),
        np.array(block.customer_class),
        promised["expected_gain_usd"].fill_null(0).to_numpy(),
        benefit,
        *(
            worth[rows, chosen[1]] - worth[rows, chosen[0]]
            for worth in (
                true_worth(truth, block, case, net, years_value(case, held))
                for net in (
                    net_of_makes(truth, block, meters),
                    judge.oracle_of(truth, block, meters).net_usd,
                )
            )
        ),
    )


def brought(learning, truth, block, logs, seed):
    """Reads, logs and logged meters with what one kind of learning brings at every site."""
    if learning == "flow_logging":
        return block, logs, set(logs)
    if learning == "night_logging":
        nights = {meter: nights_of(log) for meter, log in logs.items()}
        return block, nights, set(nights)
    if learning == "peak_register":
        rng = np.random.default_rng([seed, 97])
        share = rng.uniform(REGISTER_SHARE, 1, block.size)
        return replace(block, peak_register_gpm=truth.peak_10s_gpm / share), None, ()
    raise ValueError(learning)


def nights_of(log):
    """The first days of a log, as a clamp-on that stands for two nights would bring them."""
    own, steady = log.day < NIGHTS, log.steady_day_gpm[:NIGHTS]
    return replace(
        log,
        start_s=log.start_s[own],
        interval_gpm=log.interval_gpm[own],
        share=log.share[own],
        day=log.day[own],
        steady_day_gpm=steady,
        day_peak_gpm=log.day_peak_gpm[:NIGHTS],
        steady_gpm=log.steady_gpm if len(steady) and np.median(steady) > 0 else 0.0,
        logged_days=float(NIGHTS),
    )


def net_of_makes(truth, block, meters):
    """True net benefit a year of every meter [A, M], averaged over the makes it may be of."""
    makes = judge._flow_with_curves(truth, block, meters, makes=True)
    installed = np.broadcast_to(
        truth.installed_gal * judge.YEAR, makes.installed_gal_per_year.shape
    )
    known = replace(makes, installed_gal_per_year=installed)
    return judge._net_usd(block, known, meters)[0].mean(axis=0)


def true_worth(truth, block, case, net, years_value):
    """Present value of every meter at every site in truth, 0 for a sound installed one."""
    _, costs, _ = case.priced(slice(0, block.size))
    rated, rows, index = (
        meter_arrays(case.catalogue.meters),
        np.arange(block.size),
        block.meter_index,
    )
    peak, hour = truth.peak_10s_gpm[:, None], truth.sustained_60min_gpm[:, None]
    fits = (peak <= rated.smoc_gpm) & (hour <= rated.continuous_gpm)
    over = ~fits[rows, index]
    good = np.where(over[:, None], np.maximum(net, 0), net)
    present = years_value[:, None]
    wrong = case.thresholds.wrong_size_cost_usd
    again = np.broadcast_to(costs.change_cost_usd, net.shape) + wrong
    worth = np.where(fits, good * present, np.minimum(net, 0) * present - again)
    worth[rows, index] = -wrong * over
    return worth


def years_value(case, held):
    """Present value of 1 USD a year at every site [A], as the promise counts it."""
    _, costs, _ = case.priced(slice(0, case.block.size))
    value = np.full(case.block.size, np.median(costs.present_value_factor))
    value[held.account] = held.present_value
    return value


def joined(parts):
    """Sites of several fleets as one utility."""
    return Sites(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Sites)}
    )


def without_dwellings(sites):
    """Sites that serve more than one dwelling."""
    keep = ~np.isin(sites.kind, DWELLINGS)
    return Sites(**{f.name: getattr(sites, f.name)[keep] for f in fields(Sites)})


def campaigned(sites):
    """Sites that the product's own campaign logs, and the value of each choice in truth."""
    told = np.flatnonzero(sites.promised_usd > 0)
    names = np.array([f"{k:05}" for k in told])
    none = np.zeros(len(told))
    options = Options(
        account_id=names, meter_id=names, area=np.full(len(told), "A"),
        customer_class=sites.customer_class[told].astype(str), kind=np.full(len(told), KIND),
        gain_usd=sites.promised_usd[told],
        cost_usd=none + judge.THRESHOLDS.logging_cost_usd,
        visit_hours=none + judge.THRESHOLDS.log_visit_hours, logger_days=none + 14,
        is_in_season=np.tile(np.arange(WEEKS) < WEEKS - 2, (len(told), 1)),
    )  # fmt: skip
    limits = Limits(
        logger_count=1000, week_count=WEEKS,
        budget_usd=sites.logs * judge.THRESHOLDS.logging_cost_usd + 1.0, crew_count=1,
        crew_hours_per_week=1e6, area_trip_hours=0.0, area_trip_usd=0.0,
        class_half_logs=judge.THRESHOLDS.class_half_logs,
        class_common_share=judge.THRESHOLDS.class_common_share,
    )  # fmt: skip
    chosen = choose_campaign(options, limits)
    own = chosen.options.account_id[chosen.plan.option].astype(int)
    largest = np.argsort(-sites.benefit_usd, kind="stable")[: sites.logs]
    return {
        "campaign": float(sites.found_usd[own].sum()),
        "logs": len(own),
        "largest promised gain first": float(sites.found_usd[largest].sum()),
        "at random": float(sites.found_usd.mean() * sites.logs),
        "best in hindsight": float(np.sort(sites.found_usd)[::-1][: sites.logs].sum()),
        "promised": float(sites.promised_usd[own].sum()),
    }


def slope(sites, take=None):
    """Slope of found on promised through the origin, where learning promises a gain."""
    promised, found = sites.promised_usd, sites.found_usd
    told = promised > 0
    promised, found = promised[told], found[told]
    if take is not None:
        promised, found = promised[take % len(promised)], found[take % len(found)]
    return float((promised * found).sum() / (promised**2).sum())


def slope_range(sites):
    """Its 90 % range: sites with a promise drawn anew."""
    count = int((sites.promised_usd > 0).sum())
    drawn = np.random.default_rng(20).integers(0, count, (DRAWS, count))
    return np.quantile([slope(sites, take) for take in drawn], RANGE)


def ratio_range(found, top, bottom):
    """A ratio of sums over fleets, and its 90 % range: fleets drawn anew."""
    above, below = (np.array([one[name] for one in found]) for name in (top, bottom))
    drawn = np.random.default_rng(20).integers(0, len(found), (DRAWS, len(found)))
    ratios = above[drawn].sum(axis=1) / below[drawn].sum(axis=1)
    return float(above.sum() / below.sum()), np.quantile(ratios, RANGE)


def main():
    """Figures of every fleet, and of all as one utility."""
    meters, priors, parts = tuple(load_catalogue().meters), load_priors(), []
    names = [(kind, int(seed)) for kind, seed in (name.split(":") for name in sys.argv[1:])]
    for kind, seed in names:
        parts.append(sites_of(kind, seed, meters, priors))
        print(f"{kind}:{seed}", _text(campaigned(parts[-1])), flush=True)
    _told("all", parts)
    if any(np.isin(part.kind, DWELLINGS).any() for part in parts):
        _told("without single dwellings", [without_dwellings(part) for part in parts])
    for learning in OTHER_KINDS:
        every = [sites_of(*name, meters, priors, learning=learning) for name in names]
        print(learning, _slope_text(joined(every)), flush=True)


def _told(name, parts):
    """Figures of the campaigns of some fleets, each by itself."""
    found = [campaigned(part) for part in parts]
    print(f"{name}:", _text({key: sum(f[key] for f in found) for key in found[0]}))
    for other in ("largest promised gain first", "at random", "promised"):
        ratio, (low, high) = ratio_range(found, "campaign", other)
        print(f"campaign over {other}: {ratio:.2f} ({low:.2f} to {high:.2f})")
    print(KIND, _slope_text(joined(parts)), flush=True)


def _slope_text(sites):
    told = sites.promised_usd > 0
    low, high = slope_range(sites)
    return (
        f"{told.sum()} of {sites.size} sites, promised {sites.promised_usd[told].sum():,.0f},"
        f" found {sites.found_usd[told].sum():,.0f},"
        f" slope {slope(sites):.2f} ({low:.2f} to {high:.2f})"
    )


def _text(found):
    return ", ".join(f"{name} {value:,.0f}" for name, value in found.items())


if __name__ == "__main__":
    main()
