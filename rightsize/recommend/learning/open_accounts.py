"""Accounts whose decision more knowledge may change, and the meters that may come of it.

A meter that in no sample fits and pays is never chosen, whatever is learned; at most
`MOST_METERS` of the others are held, those that promise most. An account where none is left,
and whose installed meter no sample overruns, has nothing to learn. Neither have services that
are never changed without a person: fire, critical, unverified, stopped, of their own kind.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.samples import odds
from rightsize.meters.arrays import meter_arrays
from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.rules.meter_rules import FEASIBLE_MASK
from rightsize.recommend.rules.need_rules import need_rules
from rightsize.recommend.rules.worth_a_visit import odds_asked
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Index = NDArray[np.int64]

MOST_METERS: Final = 16
"""Meters held at an account (our convention: nine in ten open accounts have no more)."""
_MONEY: Final = np.float32


@dataclass(frozen=True)
class OpenAccounts:
    """P accounts with K meters each; places past `is_there` are empty."""

    account: Index  # [P] row of the chunk
    meter: Index  # [P, K] row of the catalog
    is_there: Flags  # [P, K]
    net_usd: Floats  # [P, J, K] net benefit a year
    fits: Flags  # [P, J, K]
    registered_gal: Floats  # [P, J, K]
    installed_gal: Floats  # [P, J]
    actual_gal: Floats  # [P, J]
    renewal_usd: Floats  # [P, J]
    peak_gpm: Floats  # [P, J]
    is_over: Flags  # [P, J] the installed meter is overrun
    is_over_continuous: Flags  # [P, J]
    allowed_if_fit: Flags  # [P, K] by the rules that ask for no flow, if it is not undersized
    allowed_if_undersized: Flags  # [P, K]
    fits_held: Flags  # [P, J] the installed meter
    most_peak_gpm: Floats  # [P, K] largest estimated peak of a new meter
    is_rated_less: Flags  # [P, K] than the installed one, by SMOC
    cost_usd: Floats  # [P, K]
    cash_beside_usd: Floats  # [P, K] cash a year beside net benefit and renewal
    renewed_share: Floats  # [P, K] part of a renewal's gain that counts against the change
    odds_asked: Floats  # [P, K]
    wrong_usd: Floats  # [P, K] a year, of a meter that proves too small
    present_value: Floats  # [P] of 1 USD a year over the life of the most promising meter
    is_shown: Flags  # [P] an overload is on record, or needs no evidence
    is_hourly: Flags  # [P] reads show the sustained flow
    present: Index  # [P] option chosen today: 0 keeps, k is meter k - 1

    def rows(self, keep: NDArray[Any], meters: int) -> OpenAccounts:
        """Some of the accounts, with their first meters."""
        by_meter = {f.name for f in fields(self)} - _WITHOUT_METER

        def cut(name: str) -> Any:
            value = getattr(self, name)[keep]
            return value[..., :meters] if name in by_meter else value

        return OpenAccounts(**{f.name: cut(f.name) for f in fields(self)})


_WITHOUT_METER: Final = {
    "account", "fits_held", "installed_gal", "actual_gal", "renewal_usd", "peak_gpm", "is_over",
    "is_over_continuous", "is_shown", "is_hourly", "present", "present_value",
}  # fmt: skip


def open_accounts(
    case: Case,
    rows: slice,
    samples: BenefitSamples,
    choice: Choice,
    *,
    wrong_usd_per_year: Array,
    is_shown: Flags,
    is_closed: Flags,
) -> OpenAccounts | None:
    """The open accounts of a chunk; None if there are none.

    Parameters
    ----------
    wrong_usd_per_year : array [A, M]
        Level yearly cost of a meter that proves too small.
    is_shown : bool [A]
        What is on record shows an overload.
    is_closed : bool [A]
        A person decides, whatever is learned.
    """
    allowed = _allowed(case, rows)
    over, over_continuous = _overload(case, rows)
    may_be_over = odds(over) > 0
    either = allowed[0] | (allowed[1] & may_be_over[:, None])
    score = _score(samples, over, either)
    index = case.meter_index[rows]
    changes = (choice.action == "change") & (choice.chosen != index)
    at = np.flatnonzero(changes)
    score[at, choice.chosen[at]] = np.inf
    is_open = case.refused.is_assessed[rows] & ~is_closed & (score > 0).any(axis=1)
    account = np.flatnonzero(is_open)
    if not len(account):
        return None
    meter, there = _most_promising(score[account])
    spot = (account[:, None], meter)
    _, costs, _ = case.priced(rows)
    limits = case.thresholds
    held = meter_arrays(case.catalogue.meters)

    def sampled(value: NDArray[Any]) -> NDArray[Any]:
        return np.ascontiguousarray(value[:, spot[0], spot[1]].transpose(1, 0, 2))

    def by_account(value: NDArray[Any]) -> NDArray[Any]:
        return np.ascontiguousarray(value[:, account].T)

    def money(value: Array) -> Floats:
        return np.asarray(value[spot], dtype=_MONEY)

    is_chosen = meter == choice.chosen[account][:, None]
    none_comes = np.zeros(len(index), dtype=np.bool_)  # once learned, nothing else is
    return OpenAccounts(
        account=account,
        meter=meter,
        is_there=there,
        net_usd=sampled(samples.net_benefit_usd),
        fits=sampled(samples.fits),
        registered_gal=sampled(samples.registered_gal),
        installed_gal=by_account(samples.installed_gal).astype(_MONEY),
        actual_gal=by_account(samples.actual_gal).astype(_MONEY),
        renewal_usd=by_account(samples.renewal_gain_usd).astype(_MONEY),
        peak_gpm=by_account(samples.peak_gpm).astype(_MONEY),
        is_over=by_account(over),
        is_over_continuous=by_account(over_continuous),
        allowed_if_fit=allowed[0][spot] & there,
        allowed_if_undersized=allowed[1][spot] & there,
        fits_held=by_account(samples.fits[:, np.arange(len(index)), index]),
        most_peak_gpm=np.asarray(limits.design_peak_share * held.smoc_gpm[meter], _MONEY),
        is_rated_less=held.smoc_gpm[meter] < held.smoc_gpm[index[account]][:, None],
        cost_usd=money(costs.change_cost_usd),
        cash_beside_usd=money(
            costs.annual_cost_usd_per_year - costs.upkeep_change_usd_per_year
        ),
        renewed_share=money(1 - costs.until_renewal_share),
        odds_asked=money(odds_asked(costs.change_cost_usd, none_comes, limits)),
        wrong_usd=money(wrong_usd_per_year),
        present_value=np.asarray(costs.present_value_factor[meter[:, 0]], _MONEY),
        is_shown=is_shown[account],
        is_hourly=case.block.interval_min[rows][account] <= _HOUR_MIN,
        present=np.where(changes[account], is_chosen.argmax(axis=1) + 1, 0),
    )


_HOUR_MIN: Final = 60.0


def _allowed(case: Case, rows: slice) -> tuple[Flags, Flags]:
    """Meters that break no rule that asks for no flow [A, M]: if not undersized, and if so."""
    index = case.meter_index[rows]
    part_year = case.block.days_covered[rows] < case.thresholds.full_year_days
    may = (case.broken[rows] & FEASIBLE_MASK) == 0
    may[np.arange(len(index)), index] = False
    found = []
    for is_undersized in (False, True):
        bits = need_rules(
            case.catalogue.meters,
            index,
            peak_gpm=np.zeros(len(index)),
            design_peak_share=1.0,
            service_line_in=case.sites.service_line_in[rows],
            is_undersized=np.full(len(index), is_undersized),
            is_season_unseen=case.is_irrigation[rows] & part_year,
        )
        found.append(may & (bits == 0))
    return found[0], found[1]


def _overload(case: Case, rows: slice) -> tuple[Flags, Flags]:
    """Samples in which the installed meter is overrun, and by sustained flow [J, A]."""
    rated, index = meter_arrays(case.catalogue.meters), case.meter_index[rows]
    peak = case.posterior.peak_10s_gpm[:, rows] > rated.smoc_gpm[index]
    sustained = case.posterior.sustained_60min_gpm[:, rows] > rated.continuous_gpm[index]
    return peak | sustained, sustained


def _score(samples: BenefitSamples, over: Flags, allowed: Flags) -> Array:
    """How far a meter may be chosen [A, M]: what it brings where it fits; 0 if it never is.

    Where the installed meter may be overrun, a larger one is bought at a loss too: those that
    fit then, the cheapest first, come behind the ones that pay.
    """
    gain = np.maximum(samples.net_benefit_usd, 0)
    gain *= samples.fits
    pays = gain.mean(axis=0, dtype=np.float64)
    then = over[:, :, None] & samples.fits
    count = np.maximum(over.sum(axis=0), 1)[:, None]
    loss = -(np.minimum(samples.net_benefit_usd, 0) * then).sum(axis=0) / count
    due = then.sum(axis=0) / count / (1 + loss)
    return np.where(allowed, pays + due, 0.0)


def _most_promising(score: Array) -> tuple[Index, Flags]:
    """The meters of highest score of each account, the best first, and which are there."""
    most = min(MOST_METERS, score.shape[1])
    order = np.argsort(-score, axis=1, kind="stable")[:, :most]
    there = np.take_along_axis(score, order, axis=1) > 0
    return order, there
