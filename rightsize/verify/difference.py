"""Difference in differences: two-way fixed effects for every case at once.

Each account's volumes are first divided by its own mean before the change, so that a season or
a drought, which takes the same share of all, is one effect a period. Then, in a case of one
changed account and K controls,

    y[i, t] = account[i] + period[t] + effect * (i was changed and t is after) + error[i, t].

With weather each account has its own coefficient on each series besides: one that waters a lawn
answers to a dry month as its neighbor does not, and the period effect holds only what they
share.

The adjusted baseline of a period after the change is account + period: what would have been
registered under that period's conditions without the change (IPMVP Option C; from memory).

References
----------
Baltagi, Econometric Analysis of Panel Data: within transformation with missing periods.
Arellano (1987): covariance that allows any dependence within an account.
Conley, Taber (2011), Review of Economics and Statistics 93(1): with one changed account, the
spread of the effect is that of the controls' own changes; a cluster-robust covariance, whose
score of the only changed cluster is near zero by construction, is far too small.
(All three from memory.)
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, fields

import numpy as np
from scipy import stats

from rightsize.verify.matching import NO_CONTROL
from rightsize.verify.panel import Array, Bools, Cases, Ints, Panel

INTERVAL_SHARE = 0.90  # as everywhere in the results
_LEAST_LESS_SHARE = 0.01  # by which controls must scatter less for weather to count (ours)
_RIDGE = 1e-11  # keeps an account with one period solvable; below any digit that is shown


@dataclass(frozen=True)
class Stack:
    """Cases side by side, the changed account in row 0 and its controls behind it."""

    account: Ints  # [C, 1 + K] rows of the panel; -1 is none
    relative: Array  # [C, 1 + K, P] volume over the account's mean before; 0 where not used
    used: Bools  # [C, 1 + K, P]
    before: Bools  # [C, P]
    after: Bools  # [C, P]
    base_gal_per_day: Array  # [C] mean of the changed account before

    @property
    def treatment(self) -> Array:
        """[C, 1 + K, P] 1 for the changed account after its change."""
        made = np.zeros(self.relative.shape)
        made[:, 0] = self.after
        return made * self.used


@dataclass(frozen=True)
class Effect:
    """What came of each case, as a share of the adjusted baseline."""

    gain_share: Array  # [C]
    gain_low_share: Array  # [C] 90 % interval
    gain_high_share: Array  # [C]
    log_error: Array  # [C] standard error of log(1 + gain)
    freedom: Array  # [C] degrees of freedom of that error
    adjusted_baseline_gal_per_day: Array  # [C] expected after the change without it
    control_change: Array  # [C, K] each control's own change over its fellows', NaN for none


@dataclass(frozen=True)
class Pooled:
    """One effect common to many cases, with its cluster-robust covariance."""

    effect: float  # in units of the mean before
    robust_error: float
    cluster_count: int

    def interval(self, level: float = INTERVAL_SHARE) -> tuple[float, float]:
        """Ends of the interval, Student's t with one less than the clusters."""
        reach = stats.t.ppf(0.5 + level / 2, self.cluster_count - 1) * self.robust_error
        return self.effect - reach, self.effect + reach


def stack(panel: Panel, cases: Cases, controls: Ints) -> Stack:
    """Volumes of each case and its controls over the periods that count.

    A period counts if the changed account and at least one control have reads.
    """
    periods = panel.registered_gal_per_day.shape[1]
    account = np.concatenate((cases.account[:, None], controls), axis=1)
    before, after = cases.before(periods), cases.after(periods)
    volume = panel.registered_gal_per_day[account]
    window = before | after
    used = np.isfinite(volume) & window[:, None, :] & (account != NO_CONTROL)[:, :, None]
    used &= used[:, :1] & used[:, 1:].any(axis=1, keepdims=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nothing before: NaN, not used below
        base = np.nanmean(np.where(used & before[:, None, :], volume, np.nan), axis=2)
    is_based = np.isfinite(base) & (base > 0)
    used &= is_based[:, :, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.where(used, volume / base[:, :, None], 0.0)
    return Stack(account, relative, used, before, after, np.where(is_based, base, np.nan)[:, 0])


def within(values: Array, used: Bools, weather: Array | None = None) -> Array:
    """Values less their account and period effects, exact with missing periods.

    Parameters
    ----------
    values, used : [C, I, P]
    weather : [C, P, Q], optional
        Each account's own answer to it is taken out too.

    Returns
    -------
    [C, I, P]
        Residuals of the least-squares fit on account and period effects; 0 where not used.
    """
    return _residual(values, used.astype(float), _regressors(used, weather))


def _regressors(used: Bools, weather: Array | None) -> Array:
    """[C, T, P] one and the weather, in deviations from the mean of the periods in use."""
    cases, _, periods = used.shape
    one = np.ones((cases, 1, periods))
    if weather is None:
        return one
    series = np.swapaxes(weather, 1, 2)
    in_use = np.asarray(used.any(axis=1), dtype=bool)[:, None, :]
    count = np.maximum(in_use.sum(axis=2, keepdims=True), 1)
    # A case without weather in each of its periods is judged without that series.
    is_whole = (np.isfinite(series) | ~in_use).all(axis=2, keepdims=True)
    known = np.where(is_whole & in_use, series, 0.0)
    known = np.where(in_use, known - known.sum(axis=2, keepdims=True) / count, 0.0)
    spread = np.sqrt((known**2).sum(axis=2, keepdims=True) / count)
    with np.errstate(divide="ignore", invalid="ignore"):
        known = np.where(spread > 0, known / spread, 0.0)
    return np.concatenate((one, known), axis=1)


def _residual(values: Array, weight: Array, regressors: Array) -> Array:
    """Period effects are taken out first: a case has fewer accounts than periods.

    Each account has a coefficient for every regressor. What all accounts share is free between
    these and the period effects, so the sum of each coefficient over accounts is set.
    """
    cases, accounts, periods = weight.shape
    terms = regressors.shape[1]
    per_period = np.maximum(weight.sum(axis=1), 1.0)
    own = weight[:, :, None, :] * regressors[:, None]  # [C, I, T, P]
    flat = own.reshape(cases, accounts * terms, periods)
    share = flat / per_period[:, None, :]
    normal = -flat @ np.swapaxes(share, 1, 2)
    by_account = normal.reshape(cases, accounts, terms, accounts, terms)
    at = np.arange(accounts)
    by_account[:, at, :, at, :] += np.moveaxis(own @ np.swapaxes(own, 2, 3), 1, 0)
    normal += _made_unique(flat, terms)
    kept = values * weight
    over_period = kept.sum(axis=1)
    right = (own @ kept[..., None]).reshape(cases, accounts * terms, 1)
    found = np.linalg.solve(normal, right - share @ over_period[:, :, None])
    fitted = (np.swapaxes(own, 2, 3) @ found.reshape(cases, accounts, terms, 1))[..., 0]
    period = (over_period - fitted.sum(axis=1)) / per_period
    return np.asarray(weight * (values - fitted - period[:, None, :]))


def _made_unique(flat: Array, terms: int) -> Array:
    """What makes the normal equations have one solution, without moving any fitted value."""
    has = ((flat**2).sum(axis=2) > 0).astype(float)
    at = np.arange(has.shape[1])
    is_same_term = (at % terms)[:, None] == (at % terms)[None, :]
    added = has[:, :, None] * has[:, None, :] * is_same_term
    added[:, at, at] += np.where(has > 0, _RIDGE, 1.0)
    return np.asarray(added)


def effects(cases: Stack, weather: Array | None = None) -> Effect:
    """Gain of each case with its 90 % interval; NaN where it cannot be told.

    Parameters
    ----------
    weather : [P, Q], optional
        Each account answers to it in its own way.
    """
    by_case = None
    if weather is not None:
        by_case = np.broadcast_to(weather, (len(cases.relative), *weather.shape))
    treatment = within(cases.treatment, cases.used, by_case)
    outcome = within(cases.relative, cases.used, by_case)
    square = (treatment**2).sum(axis=(1, 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        effect = np.where(
            square > 1e-9, (treatment * outcome).sum(axis=(1, 2)) / square, np.nan
        )
        after = cases.used[:, 0] & cases.after
        came = (cases.relative[:, 0] * after).sum(axis=1) / after.sum(axis=1)
        expected = came - effect
        gain = np.where(expected > 0, effect / expected, np.nan)
    residual = outcome - effect[:, None, None] * treatment
    change = _control_changes(cases, residual, by_case)
    count = np.isfinite(change).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # no controls: NaN
        spread = _spread(change)
        error = np.where(count > 1, spread * np.sqrt(1 + 1 / count) / expected, np.nan)
    freedom = np.maximum(count - 1, 1)
    reach = stats.t.ppf(0.5 + INTERVAL_SHARE / 2, freedom) * error
    return Effect(
        gain_share=gain,
        gain_low_share=(1 + gain) * np.exp(-reach) - 1,
        gain_high_share=(1 + gain) * np.exp(reach) - 1,
        log_error=error,
        freedom=freedom.astype(float),
        adjusted_baseline_gal_per_day=expected * cases.base_gal_per_day,
        control_change=change,
    )


def _spread(change: Array) -> Array:
    """[C] standard deviation of the controls' own changes."""
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # no controls: NaN
        return np.asarray(np.nanstd(change, axis=1, ddof=1))


def best_adjusted(cases: Stack, weather: Array | None) -> tuple[Effect, Bools]:
    """Each case with weather where its controls scatter less with it, and which these are.

    What the changed account did after its change has no say in the choice: it rests on the
    controls' own changes alone.
    """
    plain = effects(cases)
    if weather is None:
        return plain, np.zeros(len(plain.gain_share), dtype=bool)
    told = effects(cases, weather)
    spread = [_spread(found.control_change) for found in (told, plain)]
    with np.errstate(invalid="ignore"):
        is_better = np.asarray(spread[0] < (1 - _LEAST_LESS_SHARE) * spread[1], dtype=bool)
    chosen = {
        f.name: np.where(
            is_better[:, None] if getattr(plain, f.name).ndim > 1 else is_better,
            getattr(told, f.name),
            getattr(plain, f.name),
        )
        for f in fields(Effect)
    }
    return Effect(**chosen), is_better


def _control_changes(cases: Stack, residual: Array, weather: Array | None) -> Array:
    """[C, K] each control's own effect: what it would be given if it had been the changed one.

    Without weather that is its mean residual after less its mean residual before.
    """
    used = cases.used[:, 1:]
    own = _own_after(cases.after[:, None] & used, used, _regressors(cases.used, weather))
    square = (own**2).sum(axis=2)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = (own * residual[:, 1:]).sum(axis=2) / square
    is_told = (used & cases.after[:, None]).any(axis=2) & (square > 1e-9)
    return np.where(is_told, found, np.nan)


def _own_after(after: Bools, used: Bools, regressors: Array) -> Array:
    """[C, K, P] the time after, less what one and the weather say of it, account by account."""
    weight = used.astype(float)
    own = weight[:, :, None, :] * regressors[:, None]
    normal = own @ np.swapaxes(own, 2, 3)
    at = np.arange(normal.shape[-1])
    normal[..., at, at] += np.where(normal[..., at, at] > 0, _RIDGE, 1.0)
    found = np.linalg.solve(normal, own @ after.astype(float)[..., None])
    return np.asarray(weight * (after - (np.swapaxes(own, 2, 3) @ found)[..., 0]))


def pooled(cases: Stack) -> Pooled:
    """One effect over all cases, clustered by account.

    Each case has account and period effects of its own (a stack of cases); an account that
    serves several cases is one cluster. The covariance has the usual correction for few
    clusters, G / (G - 1) (N - 1) / (N - parameters).
    """
    treatment = within(cases.treatment, cases.used)
    outcome = within(cases.relative, cases.used)
    square = float((treatment**2).sum())
    effect = float((treatment * outcome).sum()) / square
    score = (treatment * (outcome - effect * treatment)).sum(axis=2)
    is_in: Bools = np.asarray(cases.used.any(axis=2))
    _, cluster = np.unique(cases.account[is_in], return_inverse=True)
    meat = float((np.bincount(cluster, score[is_in]) ** 2).sum())
    clusters = int(cluster.max()) + 1
    rows = int(cases.used.sum())
    blocks = int(np.any(is_in, axis=1).sum())
    parameters = 1 + int(is_in.sum()) + int(cases.used.any(axis=1).sum()) - blocks
    correction = clusters / (clusters - 1) * (rows - 1) / (rows - parameters)
    return Pooled(effect, float(np.sqrt(correction * meat)) / square, clusters)
