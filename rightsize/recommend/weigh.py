"""Every catalog meter evaluated in every sample of a chunk of accounts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.samples import interval, mean, odds, with_mean
from rightsize.recommend.ageing import WearMoney
from rightsize.recommend.economics import ChangeCosts, RateSteps
from rightsize.recommend.rules.fit_asked import odds_of_fit_asked
from rightsize.recommend.rules.meter_rules import BIT, FEASIBLE_MASK
from rightsize.recommend.rules.range_fit import FlowLimits
from rightsize.recommend.steady_money import SteadyMoney

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

# Single precision halves the memory of [J, A, M] and keeps a cent in 100,000 USD.
SAMPLE_KIND = np.float32
# Bills rise by this factor at most in the answer of demand: beyond it elasticity says nothing.
_LARGEST_BILL_RATIO = 4.0


@dataclass(frozen=True)
class BenefitSamples:
    """Joint samples of a chunk, with the benefit of each meter in each sample."""

    actual_gal: Array  # [J, A]
    installed_gal: Array  # [J, A]
    registered_gal: Floats  # [J, A, M]
    volumetric_gain_usd: Floats  # [J, A, M] against the installed meter as it is
    net_benefit_usd: Floats  # [J, A, M] a year
    renewal_gain_usd: Floats  # [J, A] of replacing the installed meter in kind with a new one
    net_benefit_known_usd: Floats  # [J, A, M] the same by curves as the catalog has them
    fits: Flags  # [J, A, M] peak, sustained flow and head loss
    peak_gpm: Array  # [J, A]
    sustained_gpm: Array  # [J, A]
    steady: SteadyMoney | None = None  # what of a gain is steady flow, and lost by repair
    wear: WearMoney | None = None  # wear of both meters; None holds their accuracy


@dataclass(frozen=True)
class Weighed:
    """Each meter at each account, over all samples [A, M]."""

    broken: NDArray[np.int32]  # rules broken, as bits
    odds_of_fit: Floats
    odds_of_benefit: Floats
    net_benefit_range_usd: tuple[Floats, Floats, Floats]  # mean, low, high
    registered_gal: tuple[Floats, Floats, Floats]  # mean, low, high
    accuracy_pct: tuple[Floats, Floats, Floats]
    worth_usd: Floats  # net benefit as far as it fits, less the cost of being wrong

    @property
    def net_benefit_usd(self) -> Floats:
        """Mean net benefit a year [A, M]; 0 for the installed meter."""
        return self.net_benefit_range_usd[0]

    @property
    def feasible(self) -> Flags:
        """True where a meter breaks no rule."""
        result: Flags = (self.broken & FEASIBLE_MASK) == 0
        return result


def benefit_samples(
    posterior: FlowPosterior,
    rows: slice,
    meter_index: NDArray[np.int64],
    rates: RateSteps,
    costs: ChangeCosts,
    flow_limits: FlowLimits,
    *,
    least_sustained_gpm: Array,
    site_usd: Array | None = None,
    demand_elasticity: float = 0.0,
    steady: SteadyMoney | None = None,
    wear: WearMoney | None = None,
) -> BenefitSamples:
    """Money and fit of each meter in each sample, for the accounts in `rows`.

    Parameters
    ----------
    meter_index : int array [A]
        Installed meter; it brings and costs nothing: it is kept. Rates, costs, limits and
        `least_sustained_gpm` are those of the chunk.
    least_sustained_gpm : array [A]
        Sustained flow is taken at least this large: the season's largest hour of irrigation.
    site_usd : array [J, A, M], optional
        Cost of the site in each sample less the expected one, which `costs` hold.
    steady : SteadyMoney, optional
        Steady flow that no read shows; it goes on for ever where not given.
    wear : WearMoney, optional
        Wear of both meters over the horizon; none where not given.
    """
    registered = posterior.registered_gal_per_year[:, rows].astype(SAMPLE_KIND)
    installed = posterior.installed_gal_per_year[:, rows]
    peak = posterior.peak_10s_gpm[:, rows]
    sustained = np.maximum(posterior.sustained_60min_gpm[:, rows], least_sustained_gpm)
    gain, net, renewal = _money(
        registered, installed, meter_index, rates, costs, demand_elasticity, steady, wear
    )
    known = net
    if posterior.known_curve_gal_per_year is not None:
        by_known = posterior.known_curve_gal_per_year[:, rows].astype(SAMPLE_KIND)
        known = _money(
            by_known,
            installed,
            meter_index,
            rates,
            costs,
            demand_elasticity,
            steady.expected() if steady else None,
            wear,
        )[1]
    if site_usd is not None:
        beyond = (site_usd / costs.present_value_factor).astype(SAMPLE_KIND)
        known = known - beyond
        net = net - beyond
    registered[:, np.arange(len(meter_index)), meter_index] = installed
    fits = peak[:, :, None] <= np.minimum(flow_limits.peak_gpm[None, :], flow_limits.head_gpm)
    fits &= sustained[:, :, None] <= flow_limits.sustained_gpm
    return BenefitSamples(
        actual_gal=posterior.actual_gal_per_year[:, rows],
        installed_gal=installed,
        registered_gal=registered,
        volumetric_gain_usd=gain,
        net_benefit_usd=net,
        renewal_gain_usd=renewal,
        net_benefit_known_usd=known,
        fits=fits,
        peak_gpm=peak,
        sustained_gpm=sustained,
        steady=steady,
        wear=wear,
    )


def _money(
    registered: Floats,
    installed: Array,
    meter_index: NDArray[np.int64],
    rates: RateSteps,
    costs: ChangeCosts,
    demand_elasticity: float,
    steady: SteadyMoney | None,
    wear: WearMoney | None,
) -> tuple[Floats, Floats, Floats]:
    """Gain of volumetric charges and net benefit of each meter in each sample [J, A, M].

    The third is the gain of replacement in kind [J, A], at the rates of a new meter.
    """
    bill_now = rates.bill_usd_per_year(installed).astype(SAMPLE_KIND)
    billed = _after_demand_answers(registered, installed, demand_elasticity)
    gain = rates.bill_usd_per_year(billed)
    gain -= bill_now[:, :, None]
    net = gain - _level_cost_usd(costs)
    if steady is not None and steady.lost_share is not None:
        net -= steady.lost_usd(gain)
    if wear is not None:
        net += wear.gain_usd(registered, installed)
    ours = np.arange(len(meter_index))
    renewal = np.zeros_like(bill_now)
    if np.any(costs.until_renewal_share < 1):
        bill_renewed = rates.bill_usd_per_year(registered[:, ours, meter_index].astype(float))
        renewed = (1 - costs.until_renewal_share).astype(SAMPLE_KIND)
        renewal = bill_renewed.astype(SAMPLE_KIND) - bill_now
        net -= renewal[:, :, None] * renewed
        if steady is not None and steady.lost_share is not None:
            net += steady.lost_usd(renewal[:, :, None]) * renewed
    gain[:, ours, meter_index] = 0
    net[:, ours, meter_index] = 0
    return gain, net, renewal


def _level_cost_usd(costs: ChangeCosts) -> Floats:
    lost = costs.base_charge_loss_usd_per_year
    level: Floats = (costs.annual_cost_usd_per_year - lost).astype(SAMPLE_KIND)
    return level


def _after_demand_answers(
    registered: Floats, installed: Array, demand_elasticity: float
) -> Floats:
    """Registered volume after the customer's price response."""
    if demand_elasticity == 0:
        return registered
    ratio = registered / np.maximum(installed, 1.0).astype(SAMPLE_KIND)[:, :, None]
    np.clip(ratio, 1 / _LARGEST_BILL_RATIO, _LARGEST_BILL_RATIO, out=ratio)
    np.power(ratio, SAMPLE_KIND(demand_elasticity), out=ratio)
    answered: Floats = registered * ratio
    return answered


def weigh(
    samples: BenefitSamples,
    flow_limits: FlowLimits,
    broken: NDArray[np.int32],
    envelope: tuple[Array, Array],
    meter_index: NDArray[np.int64],
    *,
    wrong_usd_per_year: Array,
    is_undersized: NDArray[np.bool_],
    odds_of_fit: float,
) -> Weighed:
    """Odds, means and 90 % intervals of each meter; rules of flow are added to `broken`.

    Parameters
    ----------
    broken : int array [A, M]
        Rules broken whatever the flow.
    envelope : arrays [A, M]
        Model-free bounds of registered volume; intervals stay inside.
    meter_index : int array [A]
        Installed meter: beside it, a meter that fits no worse is not too small.
    wrong_usd_per_year : array [A, M]
        Level yearly cost of a meter that proves too small.
    is_undersized : bool [A]
        The installed meter is called overloaded; then it is no measure of what fits.
    odds_of_fit : float
        Odds that peak, sustained flow and head loss must fit together.
    """
    fit = odds(samples.fits)
    held = fit[np.arange(len(meter_index)), meter_index]
    asked = odds_of_fit_asked(held, is_undersized, odds_of_fit)
    net = with_mean(samples.net_benefit_usd)
    registered = with_mean(samples.registered_gal)
    low = np.maximum(registered[1], np.minimum(envelope[0], registered[0]))
    high = np.minimum(registered[2], np.maximum(envelope[1], registered[0]))
    return Weighed(
        broken=broken | _flow_rules(samples, flow_limits, fit, asked),
        odds_of_fit=fit,
        odds_of_benefit=odds(samples.net_benefit_usd > 0),
        net_benefit_range_usd=net,
        registered_gal=(registered[0], low, high),
        accuracy_pct=_accuracy_pct(samples, registered[0]),
        worth_usd=worth_usd(net[0], fit, wrong_usd_per_year),
    )


def worth_usd(net_usd: Floats, odds_of_fit: Floats, wrong_usd_per_year: Floats) -> Floats:
    """What each meter is worth a year, with the cost of being wrong [A, M].

    Parameters
    ----------
    net_usd, odds_of_fit : arrays [A, M]
        Expected net benefit, and odds that the meter fits.
    wrong_usd_per_year : array [A, M]
        Level yearly cost of a meter that proves too small: it is bought and installed once
        more, with a second visit and a customer who complained.

    Returns
    -------
    array [A, M]
        A benefit is gained only as far as the meter fits; a loss is borne whether or not.
    """
    gained = np.where(net_usd > 0, net_usd * odds_of_fit, net_usd)
    return np.asarray(gained - (1 - odds_of_fit) * wrong_usd_per_year)


def _accuracy_pct(
    samples: BenefitSamples, registered_gal: Floats
) -> tuple[Array, Array, Array]:
    """Mean registered over mean actual volume [%], and the interval of the samples' ratios.

    A ratio of means, so that accuracy times actual volume is the volume that is billed: the
    mean of ratios is larger, especially if the actual volume is uncertain.
    """
    actual = np.maximum(samples.actual_gal, 1e-9).astype(SAMPLE_KIND)
    accuracy = samples.registered_gal / actual[:, :, None]
    accuracy *= 100
    low, high = interval(accuracy)
    middle = registered_gal / mean(actual)[:, None] * 100
    return middle, np.asarray(np.minimum(low, middle)), np.asarray(np.maximum(high, middle))


def _flow_rules(
    samples: BenefitSamples, flow_limits: FlowLimits, fit: Floats, asked: Floats
) -> NDArray[np.int32]:
    """Bits of the flow rules that fail; if only their joint odds fail, the weakest is named.

    `asked` are the odds of fit that each account asks for [A].
    """
    alone = np.stack(
        [
            odds_below(samples.peak_gpm, flow_limits.peak_gpm),
            odds_below(samples.sustained_gpm, flow_limits.sustained_gpm),
            odds_below(samples.peak_gpm, flow_limits.head_gpm),
        ]
    )
    fails = alone < asked[:, None]
    only_jointly = (fit < asked[:, None]) & ~fails.any(axis=0)
    weakest = alone.argmin(axis=0)
    names = ("peak_over_smoc", "sustained_over_continuous", "head_loss")
    bits = np.zeros(fit.shape, dtype=np.int32)
    for k, name in enumerate(names):
        bits |= np.where(fails[k] | (only_jointly & (weakest == k)), BIT[name], 0)
    return bits


def odds_below(flow_gpm: Array, limit_gpm: Array) -> Floats:
    """Odds that flow [J, A] does not exceed each limit ([M] or [A, M]), as [A, M]."""
    return odds(flow_gpm[:, :, None] <= limit_gpm)


def value_of_knowing(
    samples: BenefitSamples,
    worth: Array,
    may_install: Flags,
    *,
    least_usd: Array,
    min_gain_points: float,
) -> Floats:
    """Value of perfect information: knowing the sample before choosing a meter.

    Parameters
    ----------
    worth : array [M]
        Present value of 1 USD per year over the life of each meter.
    may_install : bool [A, M]
        Breaks no rule that flow does not decide.
    least_usd : array [A, M]
        Net benefit a year from which a change is worth a visit.
    min_gain_points : float
        Gain in accuracy from which it is, percentage points.

    Returns
    -------
    array [A, M]
        Expected present value, over keeping, of installing meter m in the samples in which it
        fits and is worth a visit: the expected value of perfect information about flow where
        nothing is changed now. Catalog curves are used: a log does not reveal curves.
    """
    least_gal = samples.installed_gal + min_gain_points / 100 * samples.actual_gal
    value = samples.net_benefit_known_usd * worth.astype(SAMPLE_KIND)
    value *= samples.fits
    value *= samples.net_benefit_known_usd >= np.maximum(least_usd, 0).astype(SAMPLE_KIND)
    value *= samples.registered_gal >= least_gal.astype(SAMPLE_KIND)[:, :, None]
    value *= may_install
    return mean(value)
