"""The product's rules under weights of the samples: what would be chosen once more is known.

The same steps as `choose`: whether the installed meter is undersized, which meters fit and are
worth a visit, whether one is proven, then the one that is worth most.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.best_meter import best_by
from rightsize.recommend.learning.open_accounts import OpenAccounts
from rightsize.recommend.rules.fit_asked import odds_of_fit_asked
from rightsize.recommend.weigh import worth_usd
from rightsize.settings import Thresholds

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]
Index = NDArray[np.int64]

_ROUNDING: Final = 1e-5  # [1] of odds added up in single precision


@dataclass(frozen=True)
class _Weighted:
    """Weighted means of each meter [P, T, K] and of each account [P, T]."""

    net: Floats
    odds_of_benefit: Floats
    fit: Floats
    fit_held: Floats
    registered: Floats
    renewal: Floats
    installed: Floats
    actual: Floats
    peak: Floats
    over: Floats
    over_continuous: Floats


class RulesAgain:
    """The rules for P open accounts, ready to be asked with any weights of their samples."""

    def __init__(self, accounts: OpenAccounts, limits: Thresholds) -> None:
        self.accounts = accounts
        self.limits = limits
        self._meters = accounts.net_usd.shape[2]
        self._of_volume, self._of_peak = _stacked(accounts)

    def choose(self, by_volume: Floats, by_peak: Floats, *, shows_peak: bool) -> Index:
        """Option of each account under each set of weights: 0 keeps, [P, T].

        Parameters
        ----------
        by_volume, by_peak : arrays [P, T, J]
            Weights of the samples for volume and money, and for peaks and fit.
        shows_peak : bool
            What was learned shows an overload, so that a larger meter may be bought.
        """
        held, limits = self.accounts, self.limits
        seen = self._weighted(by_volume, by_peak)
        asked = 1 - _ROUNDING
        undersized = seen.over >= limits.odds_of_undersized * asked
        may = np.where(
            undersized[..., None],
            held.allowed_if_undersized[:, None],
            held.allowed_if_fit[:, None],
        )
        fit = odds_of_fit_asked(seen.fit_held, undersized, limits.odds_of_fit)
        may &= seen.fit >= (fit * asked)[..., None]
        is_held_to_peak = undersized[..., None] | held.is_rated_less[:, None]
        may &= (seen.peak[..., None] <= held.most_peak_gpm[:, None]) | ~is_held_to_peak
        pays = may & self._worth_a_visit(seen)
        lead = held.odds_asked[:, None] * asked
        pays &= seen.odds_of_benefit >= lead - limits.odds_slack
        proven = (pays & (seen.odds_of_benefit >= lead)).any(axis=-1, keepdims=True)
        allowed = np.where(undersized[..., None], may, pays & proven)
        best = self._best(allowed, seen)
        sustained = seen.over_continuous >= limits.odds_of_undersized * asked
        shown = held.is_shown[:, None] | (held.is_hourly[:, None] & sustained) | shows_peak
        changes = allowed.any(axis=-1) & (~undersized | shown)
        return np.where(changes, best + 1, 0)

    def _weighted(self, by_volume: Floats, by_peak: Floats) -> _Weighted:
        k = self._meters
        volume = np.matmul(by_volume, self._of_volume)
        peak = np.matmul(by_peak, self._of_peak)
        return _Weighted(
            net=volume[..., :k],
            odds_of_benefit=volume[..., k : 2 * k],
            registered=volume[..., 2 * k : 3 * k],
            renewal=volume[..., 3 * k],
            installed=volume[..., 3 * k + 1],
            actual=volume[..., 3 * k + 2],
            fit=peak[..., :k],
            peak=peak[..., k],
            over=peak[..., k + 1],
            over_continuous=peak[..., k + 2],
            fit_held=peak[..., k + 3],
        )

    def _worth_a_visit(self, seen: _Weighted) -> Flags:
        held, limits = self.accounts, self.limits
        enough = (seen.net > 0) & (seen.net >= limits.min_net_benefit_usd_per_year)
        least = limits.min_gain_points / 100 * seen.actual + seen.installed
        enough &= seen.registered >= least[..., None]
        cash = seen.renewal[..., None] * held.renewed_share[:, None] + seen.net
        cash += held.cash_beside_usd[:, None]
        enough &= cash * limits.max_payback_years >= held.cost_usd[:, None]
        return np.asarray(enough)

    def _best(self, allowed: Flags, seen: _Weighted) -> Index:
        held, shape = self.accounts, allowed.shape
        worth = worth_usd(seen.net, seen.fit, held.wrong_usd[:, None])
        flat = (-1, shape[2])
        cost = np.broadcast_to(held.cost_usd[:, None], shape)
        best = best_by(
            allowed.reshape(flat),
            worth.reshape(flat),
            seen.fit.reshape(flat),
            cost.reshape(flat),
            tie_band_share=self.limits.tie_band_share,
        )
        return best.reshape(shape[:2])


def _stacked(held: OpenAccounts) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What is averaged over samples, side by side: [P, J, 3 K + 3] and [P, J, K + 4]."""
    money = (held.renewal_usd, held.installed_gal, held.actual_gal)
    flow = (held.peak_gpm, held.is_over, held.is_over_continuous, held.fits_held)
    volume = [held.net_usd, held.net_usd > 0, held.registered_gal, *_columns(money)]
    peak = [held.fits, *_columns(flow)]
    return (
        np.concatenate(volume, axis=2, dtype=np.float32),
        np.concatenate(peak, axis=2, dtype=np.float32),
    )


def _columns(values: tuple[NDArray[Any], ...]) -> list[NDArray[Any]]:
    return [value[..., None] for value in values]


def true_value_usd(accounts: OpenAccounts, *, overrun_usd: float) -> Floats:
    """Present value of each option if a sample is the truth [P, J, K + 1]; the first keeps.

    Parameters
    ----------
    overrun_usd : float
        What it costs to keep a meter that is overrun: throttled customer, complaint, visit.

    Notes
    -----
    A meter that proves too small brings nothing and is bought again. A larger meter that was
    due is bought for safety: its cost is no loss. Net benefits are level yearly amounts, so
    all meters of an account are held against each other over one span of years: over its own
    life each, the longer one would win whatever it brings a year.
    """
    net, over = accounts.net_usd, accounts.is_over[..., None]
    where_fit = np.where(over, np.maximum(net, 0), net)
    too_small = np.minimum(net, 0) - accounts.wrong_usd[:, None]
    changed = np.where(accounts.fits, where_fit, too_small)
    changed *= accounts.present_value[:, None, None]
    kept = -overrun_usd * over.astype(changed.dtype)
    return np.concatenate([kept, changed], axis=2)
