"""Which meter each account gets: the whole decision for one block of accounts.

`decide` evaluates every catalog meter in the joint samples of actual flow, keeps those that
fit and fail no rule, and changes a meter only if the probability of positive net benefit is
high enough.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.columns import FLAGGED_VERDICTS
from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.samples import odds
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.ageing import WearMoney, wear_money
from rightsize.recommend.case import Case, prepare
from rightsize.recommend.choice import Choice
from rightsize.recommend.economics import ChangeCosts, RateSteps
from rightsize.recommend.leak_persistence import leak_course
from rightsize.recommend.rows.bill_impact_rows import bill_impact_frame
from rightsize.recommend.rows.candidate_rows import candidate_frame
from rightsize.recommend.rows.finding_rows import decision_findings, not_assessed_frame
from rightsize.recommend.rows.gain_sample_rows import gain_sample_frame
from rightsize.recommend.rows.recommendation_rows import recommendation_frame
from rightsize.recommend.rows.replacement_age_rows import replacement_age_frame
from rightsize.recommend.rows.year_money_rows import with_waiting_cost, year_money_frame
from rightsize.recommend.rules.meter_rules import BIT
from rightsize.recommend.rules.verdict import actions, verdicts
from rightsize.recommend.steady_money import steady_money
from rightsize.recommend.weigh import (
    BenefitSamples,
    Weighed,
    benefit_samples,
    value_of_knowing,
    weigh,
)
from rightsize.settings import Tariff, Thresholds
from rightsize.units import UnitSystem

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

CHUNK_ACCOUNTS = 512  # the [J, A, M] arrays of a chunk stay in tens of megabytes


@dataclass(frozen=True)
class Decision:
    """Result rows of one block; `recommendation` has one row per meter in service."""

    recommendation: pl.DataFrame
    candidate: pl.DataFrame
    gain_sample: pl.DataFrame
    year_money: pl.DataFrame
    bill_impact: pl.DataFrame
    replacement_age: pl.DataFrame
    finding: pl.DataFrame
    not_assessed: pl.DataFrame


def decide(
    block: ProfileBlock,
    posterior: FlowPosterior,
    sites: SiteBlock,
    catalogue: Catalogue,
    tariff: Tariff,
    thresholds: Thresholds,
    *,
    units: UnitSystem,
) -> Decision:
    """Verdict, meter, money and reason for every meter of a block.

    Parameters
    ----------
    block : ProfileBlock
        Sufficient statistics of A meters.
    posterior : FlowPosterior
        Joint samples of their flow, under each of the catalog's M meters.
    sites : SiteBlock
        Services and sites, in the block's order.
    catalogue, tariff, thresholds
        Meters, rates and limits.
    units
        Of the figures in sentences; every column is in US units.

    Returns
    -------
    Decision
        `recommendation` [A rows, in the block's order], `candidate` [up to A x M rows],
        `finding`, `not_assessed`.

    Raises
    ------
    ContractError
        If block, posterior, sites and catalog do not belong together.
    """
    case = prepare(block, posterior, sites, catalogue, tariff, thresholds, units=units)
    starts = range(0, max(block.size, 1), CHUNK_ACCOUNTS)
    parts = [_decide_rows(case, slice(k, min(k + CHUNK_ACCOUNTS, block.size))) for k in starts]
    return Decision(
        **{f.name: pl.concat([getattr(p, f.name) for p in parts]) for f in fields(Decision)}
    )


def _decide_rows(case: Case, rows: slice) -> Decision:
    rates, costs, flow_limits = case.priced(rows)
    index = case.meter_index[rows]
    season_gpm = np.where(case.is_irrigation, case.block.max_hour_gpm, 0.0)
    with np.errstate(invalid="ignore", over="ignore"):  # meters not assessed may hold NaN
        course = leak_course(case.leaks, len(case.posterior.peak_10s_gpm), case.horizon)
        steady = steady_money(case.posterior, rows, rates, course, case.horizon.life_of)
        samples = benefit_samples(
            case.posterior,
            rows,
            index,
            rates,
            costs,
            flow_limits,
            least_sustained_gpm=np.nan_to_num(season_gpm[rows]),
            demand_elasticity=case.thresholds.demand_elasticity,
            steady=steady,
            wear=_wear(case, rows, rates, costs),
        )
        weighed = weigh(
            samples,
            flow_limits,
            case.broken[rows],
            (
                case.posterior.registered_envelope_low[rows],
                case.posterior.registered_envelope_high[rows],
            ),
            odds_of_fit=case.thresholds.odds_of_fit,
        )
        choice = _choose(case, rows, samples, weighed)
    year_money = year_money_frame(case, rows, samples, choice)
    return Decision(
        recommendation=with_waiting_cost(
            recommendation_frame(case, rows, samples, choice),
            year_money,
            case.horizon.annuity[case.horizon.life_of[choice.chosen]],
        ),
        candidate=candidate_frame(case, rows, samples, choice),
        gain_sample=gain_sample_frame(case, rows, samples, choice),
        year_money=year_money,
        bill_impact=bill_impact_frame(case, rows, samples, choice),
        replacement_age=replacement_age_frame(case, rows, rates, samples),
        finding=decision_findings(case, rows, choice),
        not_assessed=not_assessed_frame(case, rows),
    )


def _wear(case: Case, rows: slice, rates: RateSteps, costs: ChangeCosts) -> WearMoney | None:
    """Wear over the horizon; None where the thresholds leave it out."""
    if not case.thresholds.count_wear:
        return None
    return wear_money(
        case.posterior.installed_gal_per_year[:, rows],
        rates,
        case.wear,
        meter_arrays(case.catalogue.meters),
        case.horizon,
        meter_index=case.meter_index[rows],
        years_to_renewal=costs.years_to_renewal,
    )


def _choose(case: Case, rows: slice, samples: BenefitSamples, weighed: Weighed) -> Choice:
    """The meter of each account, its verdict and its action."""
    thresholds = case.thresholds
    index, ours = case.meter_index[rows], np.arange(len(case.meter_index[rows]))
    over_peak, over_sustained, over = _overload(case, rows)
    is_undersized = over >= thresholds.odds_of_undersized
    weighed = replace(
        weighed, broken=weighed.broken | _need_rules(case, rows, is_undersized=is_undersized)
    )
    other = weighed.feasible.copy()
    other[ours, index] = False
    pays = other & (weighed.odds_of_benefit >= thresholds.odds_of_benefit)
    pays &= weighed.net_benefit_usd > 0
    pays &= weighed.net_benefit_usd >= thresholds.min_net_benefit_usd_per_year
    allowed = np.where(is_undersized[:, None], other, pays)
    has_choice = np.asarray(allowed.any(axis=1))
    best = np.where(allowed, weighed.benefit_that_fits_usd, -np.inf).argmax(axis=1)
    smaller = _best_of(pays & _same_type_smaller(case, index), weighed)
    hopeful, log_value_usd = _log_case(case, rows, samples, other)
    worth_logging = (log_value_usd >= thresholds.min_log_value_usd) & (hopeful >= 0)
    verdict = verdicts(
        is_assessed=case.refused.is_assessed[rows],
        is_undersized=is_undersized,
        has_choice=has_choice,
        has_smaller=smaller >= 0,
    )
    code = np.array(case.refused.code[rows], dtype=np.str_)
    action = actions(
        verdict,
        has_choice=has_choice,
        is_worth_logging=worth_logging | (over >= thresholds.near_limit_odds),
        is_critical=case.is_critical[rows],
        is_fire=code == "fire_service",
        is_fire_unverified=case.is_fire_unverified[rows],
        is_stopped=np.array([day is not None for day in case.last_use_on[rows]], dtype=bool),
    )
    changes = np.isin(verdict, FLAGGED_VERDICTS) & has_choice
    may_log = (action == "log_first") & worth_logging
    chosen = np.where(changes, best, np.where(may_log, hopeful, index))
    return Choice(
        verdict=verdict,
        action=action,
        chosen=chosen.astype(np.int64),
        runner_up=_runner_up(weighed, other, chosen),
        smaller=smaller,
        log_value_usd=np.where(has_choice | is_undersized, np.nan, log_value_usd),
        odds_over_smoc=over_peak,
        odds_over_continuous=over_sustained,
        odds_over=over,
        weighed=replace(
            weighed, broken=_losers(weighed, allowed, chosen=np.where(changes, chosen, index))
        ),
        rank=_rank(weighed, allowed, index),
    )


def _log_case(
    case: Case, rows: slice, samples: BenefitSamples, other: Flags
) -> tuple[NDArray[np.int64], Array]:
    """Meter that a log may prove (-1 for none), and the net value of a log [USD].

    A log proves one meter or none: it is worth what knowing is for the best of them.
    """
    thresholds = case.thresholds
    upside_usd = value_of_knowing(
        samples, case.costs.present_value_factor, case.broken[rows] == 0
    )
    may_gain = other & (upside_usd > 0)
    hopeful = np.where(may_gain, upside_usd, -np.inf).argmax(axis=1)
    known_usd = upside_usd.max(axis=-1).astype(np.float64)
    worth_usd = thresholds.log_resolves_share * known_usd - thresholds.logging_cost_usd
    return np.where(may_gain.any(axis=1), hopeful, -1), worth_usd


def _overload(case: Case, rows: slice) -> tuple[Array, Array, Array]:
    """Probability of overload of the installed meter: by peak, by sustained flow, by either."""
    rated, index = meter_arrays(case.catalogue.meters), case.meter_index[rows]
    over_peak = case.posterior.peak_10s_gpm[:, rows] > rated.smoc_gpm[index]
    over_sustained = case.posterior.sustained_60min_gpm[:, rows] > rated.continuous_gpm[index]
    return odds(over_peak), odds(over_sustained), odds(over_peak | over_sustained)


def _need_rules(case: Case, rows: slice, *, is_undersized: Flags) -> NDArray[np.int32]:
    """Bits of two rules that depend on the account: season not seen, larger without need."""
    held, index = meter_arrays(case.catalogue.meters), case.meter_index[rows]
    smoc, size, kind = held.smoc_gpm, held.size_in, held.meter_type
    part_year = case.block.days_covered[rows] < case.thresholds.full_year_days
    unseen = (case.is_irrigation[rows] & part_year)[:, None] & (
        smoc[None, :] < smoc[index][:, None]
    )
    larger = (size[None, :] > size[index][:, None] + 1e-6) & (
        kind[None, :] == kind[index][:, None]
    )
    bits = BIT["season_not_seen"] * unseen
    return np.asarray(
        bits | BIT["larger_without_need"] * (larger & ~is_undersized[:, None]), dtype=np.int32
    )


def _same_type_smaller(case: Case, index: NDArray[np.int64]) -> Flags:
    """Meters of the installed type that are smaller [A, M]."""
    held = meter_arrays(case.catalogue.meters)
    size, kind = held.size_in, held.meter_type
    result: Flags = (kind[None, :] == kind[index][:, None]) & (
        size[None, :] < size[index][:, None] - 1e-6
    )
    return result


def _best_of(allowed: Flags, weighed: Weighed) -> NDArray[np.int64]:
    """The allowed meter of most net benefit; -1 if none is allowed."""
    best = np.where(allowed, weighed.benefit_that_fits_usd, -np.inf).argmax(axis=1)
    return np.where(allowed.any(axis=1), best, -1)


def _runner_up(weighed: Weighed, other: Flags, chosen: NDArray[np.int64]) -> NDArray[np.int64]:
    """Best feasible meter beside the chosen and the installed one; -1 if there is none."""
    rest = other.copy()
    rest[np.arange(len(chosen)), chosen] = False
    return _best_of(rest, weighed)


def _losers(weighed: Weighed, pays: Flags, *, chosen: NDArray[np.int64]) -> NDArray[np.int32]:
    """Rules broken, with the reason why a feasible meter is not the choice."""
    lost = weighed.feasible.copy()
    lost[np.arange(len(chosen)), chosen] = False
    unsure = weighed.net_benefit_usd > 0
    bits = np.where(~pays & unsure, BIT["odds_of_benefit"], BIT["less_benefit"])
    return np.asarray(weighed.broken | np.where(lost, bits, 0), dtype=np.int32)


def _rank(weighed: Weighed, allowed: Flags, index: NDArray[np.int64]) -> NDArray[np.int64]:
    """Place among the feasible meters, from 1; 0 where not feasible.

    Meters that pass the odds and the installed meter come first, each group by net benefit
    times probability of fit.
    """
    feasible = weighed.feasible
    first = allowed.copy()
    first[np.arange(len(index)), index] = True
    group = np.where(feasible, np.where(first, 0, 1), 2)
    order = np.lexsort((-weighed.benefit_that_fits_usd, group), axis=-1)
    rank = np.empty(order.shape, dtype=np.int64)
    np.put_along_axis(rank, order, np.arange(1, order.shape[1] + 1)[None, :], axis=-1)
    return np.where(feasible, rank, 0)
