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

from rightsize.contracts.change_outs.gain_correction import GainCorrection
from rightsize.contracts.columns import FLAGGED_VERDICTS
from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.samples import mean, odds
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.ageing import WearMoney, wear_money
from rightsize.recommend.best_meter import best_meter, best_of, losers, ranks, runner_up
from rightsize.recommend.case import Case, prepare
from rightsize.recommend.choice import Choice
from rightsize.recommend.economics import ChangeCosts, RateSteps
from rightsize.recommend.gain_correction import corrected, factors_at
from rightsize.recommend.leak_persistence import leak_course
from rightsize.recommend.learning.open_accounts import OpenAccounts, open_accounts
from rightsize.recommend.learning.value_of_learning import value_of_learning
from rightsize.recommend.rows.bill_impact_rows import bill_impact_frame
from rightsize.recommend.rows.candidate_rows import candidate_frame
from rightsize.recommend.rows.finding_rows import decision_findings, not_assessed_frame
from rightsize.recommend.rows.gain_sample_rows import gain_sample_frame
from rightsize.recommend.rows.recommendation_rows import recommendation_frame
from rightsize.recommend.rows.replacement_age_rows import replacement_age_frame
from rightsize.recommend.rows.value_of_knowing_rows import value_of_knowing_frame
from rightsize.recommend.rows.year_money_rows import with_waiting_cost, year_money_frame
from rightsize.recommend.rules.meter_rules import FEASIBLE_MASK, FLOW_MASK
from rightsize.recommend.rules.need_rules import (
    is_smaller_of_type,
    is_smaller_size,
    need_rules,
)
from rightsize.recommend.rules.own_kind import is_own_kind
from rightsize.recommend.rules.upsize_evidence import is_shown_too_small
from rightsize.recommend.rules.verdict import actions, verdicts
from rightsize.recommend.rules.worth_a_visit import (
    Visit,
    least_benefit_usd,
    odds_asked,
    visit,
)
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
    value_of_knowing: pl.DataFrame
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
    correction: GainCorrection | None = None,
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
    correction
        Factors that past change-outs put on gains; None leaves them as they are.

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
    factor = None
    if correction is not None and correction.is_applied:
        factor, error = factors_at(correction, sites.customer_class, catalogue.meters)
        posterior = corrected(posterior, factor, error)
    case = prepare(block, posterior, sites, catalogue, tariff, thresholds, units=units)
    case = replace(case, gain_factor=factor)
    starts = range(0, max(block.size, 1), CHUNK_ACCOUNTS)
    parts = [_decide_rows(case, slice(k, min(k + CHUNK_ACCOUNTS, block.size))) for k in starts]
    return Decision(
        **{f.name: pl.concat([getattr(p, f.name) for p in parts]) for f in fields(Decision)}
    )


@dataclass(frozen=True)
class Judged:
    """A chunk of accounts: its samples, the choice, and where more knowledge may change it."""

    samples: BenefitSamples
    choice: Choice
    learnable: OpenAccounts | None
    rates: RateSteps


def judged(case: Case, rows: slice) -> Judged:
    """Every meter weighed in every sample at the accounts in `rows`, and the choice."""
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
            site_usd=case.site_costs.rows(rows).beyond_expected_usd(
                len(case.posterior.peak_10s_gpm)
            ),
            least_sustained_gpm=np.nan_to_num(season_gpm[rows]),
            demand_elasticity=case.thresholds.demand_elasticity,
            steady=steady,
            wear=_wear(case, rows, rates, costs),
        )
        wrong_usd = _wrong_usd_per_year(case, costs)
        overload = _overload(case, rows)
        weighed = weigh(
            samples,
            flow_limits,
            case.broken[rows],
            (
                case.posterior.registered_envelope_low[rows],
                case.posterior.registered_envelope_high[rows],
            ),
            index,
            wrong_usd_per_year=wrong_usd,
            is_undersized=overload[2] >= case.thresholds.odds_of_undersized,
            odds_of_fit=case.thresholds.odds_of_fit,
        )
        choice = _choose(case, rows, samples, weighed, overload)
        learnable = open_accounts(
            case,
            rows,
            samples,
            choice,
            wrong_usd_per_year=wrong_usd,
            is_shown=_is_shown(case, rows, np.zeros(len(index))),
            is_closed=np.any(list(_referred(case, rows).values()), axis=0)
            | case.is_logged[rows],
        )
    return Judged(samples, choice, learnable, rates)


def _decide_rows(case: Case, rows: slice) -> Decision:
    found = judged(case, rows)
    samples, choice = found.samples, found.choice
    with np.errstate(invalid="ignore", over="ignore"):
        learning = value_of_learning(case, rows, found.learnable)
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
        replacement_age=replacement_age_frame(case, rows, found.rates, samples),
        value_of_knowing=value_of_knowing_frame(case, rows, learning),
        finding=decision_findings(case, rows, choice),
        not_assessed=not_assessed_frame(case, rows),
    )


def _wrong_usd_per_year(case: Case, costs: ChangeCosts) -> Array:
    """A meter that proves too small is bought and installed again, with a complaint [A, M]."""
    usd = costs.change_cost_usd + case.thresholds.wrong_size_cost_usd
    return usd / costs.present_value_factor


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


def _choose(
    case: Case,
    rows: slice,
    samples: BenefitSamples,
    weighed: Weighed,
    overload: tuple[Array, Array, Array],
) -> Choice:
    """The meter of each account, its verdict and its action.

    First whether to change at all: does a meter that fits and is worth a visit reach the odds
    against keeping? They are lower where no log comes: none is worth its trip, one is in use,
    or the campaign goes elsewhere. Then which: of those that fit, the one that is worth most.
    """
    limits, index = case.thresholds, case.meter_index[rows]
    over_peak, over_sustained, over = overload
    is_undersized = over >= limits.odds_of_undersized
    need = _need_bits(case, rows, samples, is_undersized=is_undersized)
    weighed = replace(weighed, broken=weighed.broken | need)
    may_log = case.may_log[rows]
    hopeful, log_value_usd = _log_case(case, rows, samples, weighed.broken)
    worth_logging = (log_value_usd >= limits.min_log_value_usd) & (hopeful >= 0) & may_log
    listed = _shortlist(
        case, rows, samples, weighed, is_undersized=is_undersized, may_log=worth_logging
    )
    has_choice = np.asarray(listed.allowed.any(axis=1))
    best = best_meter(
        listed.allowed,
        weighed,
        case.costs.change_cost_usd[rows],
        tie_band_share=limits.tie_band_share,
    )
    top = best_of(listed.allowed, weighed)
    meters = case.catalogue.meters
    smaller = best_of(listed.proven & is_smaller_of_type(meters, index), weighed)
    smaller = np.where(is_smaller_size(meters, index, best), smaller, -1)
    verdict = verdicts(
        is_assessed=case.refused.is_assessed[rows],
        is_undersized=is_undersized,
        has_choice=has_choice,
        has_smaller=smaller >= 0,
    )
    action = actions(
        verdict,
        has_choice=has_choice,
        is_shown=_is_shown(case, rows, over_sustained),
        is_worth_logging=worth_logging | ((over >= limits.near_limit_odds) & may_log),
        **_referred(case, rows),
    )
    changes = np.isin(verdict, FLAGGED_VERDICTS) & has_choice
    for_gain = (action == "log_first") & worth_logging
    chosen = np.where(changes, best, np.where(for_gain, hopeful, index)).astype(np.int64)
    kept = np.where(changes, chosen, index)
    return Choice(
        verdict=verdict,
        action=action,
        chosen=chosen,
        runner_up=runner_up(weighed, listed.other, chosen),
        tied=np.where(changes & (top != best), top, -1),
        smaller=smaller,
        log_value_usd=np.where(has_choice | is_undersized | ~may_log, np.nan, log_value_usd),
        odds_over_smoc=over_peak,
        odds_over_continuous=over_sustained,
        odds_over=over,
        weighed=replace(
            weighed, broken=losers(weighed, listed.visits, listed.allowed, chosen=kept)
        ),
        rank=ranks(weighed, listed.allowed, index, kept),
    )


@dataclass(frozen=True)
class _Shortlist:
    """Meters beside the installed one, as far as they come [A, M]."""

    other: Flags  # they may be installed and fit
    visits: Visit
    proven: Flags  # worth a visit, beyond the odds asked of a change
    allowed: Flags  # may be chosen: any that is worth a visit, once one is proven


def _shortlist(
    case: Case,
    rows: slice,
    samples: BenefitSamples,
    weighed: Weighed,
    *,
    is_undersized: Flags,
    may_log: Flags,
) -> _Shortlist:
    """Step one: whether to change at all, by the odds against keeping."""
    limits, index = case.thresholds, case.meter_index[rows]
    other = weighed.feasible.copy()
    other[np.arange(len(index)), index] = False
    visits = _visits(case, rows, samples, weighed)
    asked = odds_asked(case.costs.change_cost_usd[rows], may_log, limits)
    pays = other & visits.is_worth_it & (weighed.odds_of_benefit >= asked - limits.odds_slack)
    proven = pays & (weighed.odds_of_benefit >= asked)
    is_change = proven.any(axis=1, keepdims=True)
    allowed = np.where(is_undersized[:, None], other, pays & is_change)
    return _Shortlist(other, visits, proven, np.asarray(allowed))


def _is_shown(case: Case, rows: slice, odds_over_continuous: Array) -> Flags:
    """Whether more than an inferred peak shows that a meter is too small [A]."""
    limits, index = case.thresholds, case.meter_index[rows]
    shown = is_shown_too_small(
        case.block,
        case.record.upsize_evidence,
        rows,
        smoc_gpm=meter_arrays(case.catalogue.meters).smoc_gpm[index],
        odds_over_continuous=odds_over_continuous,
        odds_of_undersized=limits.odds_of_undersized,
    )
    return shown | case.is_logged[rows] | (not limits.upsize_needs_evidence)


def _referred(case: Case, rows: slice) -> dict[str, Flags]:
    """What sends an account to engineering review [A]."""
    return {
        "is_critical": case.is_critical[rows] | is_own_kind(case.own_kind(rows)),
        "is_fire": np.array(case.refused.code[rows], dtype=np.str_) == "fire_service",
        "is_fire_unverified": case.is_fire_unverified[rows],
        "is_stopped": np.array([day is not None for day in case.last_use_on[rows]], dtype=bool),
    }


def _need_bits(
    case: Case, rows: slice, samples: BenefitSamples, *, is_undersized: Flags
) -> NDArray[np.int32]:
    part_year = case.block.days_covered[rows] < case.thresholds.full_year_days
    return need_rules(
        case.catalogue.meters,
        case.meter_index[rows],
        peak_gpm=mean(samples.peak_gpm),
        design_peak_share=case.thresholds.design_peak_share,
        service_line_in=case.sites.service_line_in[rows],
        is_undersized=is_undersized,
        is_season_unseen=case.is_irrigation[rows] & part_year,
    )


def _visits(case: Case, rows: slice, samples: BenefitSamples, weighed: Weighed) -> Visit:
    """Hold each meter against the least that a visit must bring."""
    _, costs, _ = case.priced(rows)
    renewal = mean(samples.renewal_gain_usd)[:, None] * (1 - costs.until_renewal_share)
    cash = weighed.net_benefit_usd + renewal + costs.annual_cost_usd_per_year
    cash = cash - costs.upkeep_change_usd_per_year
    accuracy = weighed.accuracy_pct[0]
    index = case.meter_index[rows]
    return visit(
        net_benefit_usd=weighed.net_benefit_usd,
        gain_points=accuracy - accuracy[np.arange(len(index)), index][:, None],
        cost_usd=costs.change_cost_usd,
        cash_usd_per_year=cash,
        limits=case.thresholds,
    )


def _log_case(
    case: Case, rows: slice, samples: BenefitSamples, broken: NDArray[np.int32]
) -> tuple[NDArray[np.int64], Array]:
    """Meter that a log may prove (-1 for none), and the net value of a log [USD].

    A log proves one meter or none: it is worth what knowing is for the best of them. It may
    prove that a meter fits, so rules of flow bar none here.
    """
    limits, index = case.thresholds, case.meter_index[rows]
    may_install = (broken & FEASIBLE_MASK & ~FLOW_MASK) == 0
    may_install[np.arange(len(index)), index] = False
    _, costs, _ = case.priced(rows)
    upside_usd = value_of_knowing(
        samples,
        costs.present_value_factor,
        may_install,
        least_usd=least_benefit_usd(
            costs.change_cost_usd,
            costs.annual_cost_usd_per_year - costs.upkeep_change_usd_per_year,
            limits,
        ),
        min_gain_points=limits.min_gain_points,
    )
    known_usd = upside_usd.max(axis=-1).astype(np.float64)
    worth_usd = limits.log_resolves_share * known_usd - limits.logging_cost_usd
    return np.where(known_usd > 0, upside_usd.argmax(axis=1), -1), worth_usd


def _overload(case: Case, rows: slice) -> tuple[Array, Array, Array]:
    """Probability of overload of the installed meter: by peak, by sustained flow, by either."""
    rated, index = meter_arrays(case.catalogue.meters), case.meter_index[rows]
    over_peak = case.posterior.peak_10s_gpm[:, rows] > rated.smoc_gpm[index]
    over_sustained = case.posterior.sustained_60min_gpm[:, rows] > rated.continuous_gpm[index]
    return odds(over_peak), odds(over_sustained), odds(over_peak | over_sustained)
