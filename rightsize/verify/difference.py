"""Difference in differences: two-way fixed effects for every case at once.

Each account's volumes are first divided by its own mean before the change, so that a season or
a drought, which takes the same share of all, is one effect a period. Then, in a case of one
changed account and K controls,

    y[i, t] = account[i] + period[t] + effect * (i was changed and t is after) + error[i, t].

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
from dataclasses import dataclass

import numpy as np
from scipy import stats

from rightsize.verify.matching import NO_CONTROL
from rightsize.verify.panel import Array, Bools, Cases, Ints, Panel

INTERVAL_SHARE = 0.90  # as everywhere in the results


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


def within(values: Array, used: Bools) -> Array:
    """Values less their account and period effects, exact with missing periods.

    Parameters
    ----------
    values, used : [C, I, P]

    Returns
    -------
    [C, I, P]
        Residuals of the least-squares fit on account and period effects; 0 where not used.
    """
    return _residual(values, used.astype(float))


def _residual(values: Array, weight: Array) -> Array:
    """Period effects are taken out first: a case has fewer accounts than periods."""
    per_account, per_period = weight.sum(axis=2), np.maximum(weight.sum(axis=1), 1.0)
    share = weight / per_period[:, None, :]
    normal = -weight @ np.swapaxes(share, 1, 2)
    at = np.arange(weight.shape[1])
    normal[:, at, at] += np.where(per_account > 0, per_account, 1.0)
    has = (per_account > 0).astype(float)
    normal += has[:, :, None] * has[:, None, :]  # one constant is free between the effects
    kept = values * weight
    over_period = kept.sum(axis=1)
    right = kept.sum(axis=2)[:, :, None] - share @ over_period[:, :, None]
    account = np.linalg.solve(normal, right)
    period = (over_period - (np.swapaxes(weight, 1, 2) @ account)[:, :, 0]) / per_period
    return np.asarray(weight * (values - account - period[:, None, :]))


def effects(cases: Stack) -> Effect:
    """Gain of each case with its 90 % interval; NaN where it cannot be told."""
    treatment = within(cases.treatment, cases.used)
    outcome = within(cases.relative, cases.used)
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
    change = _control_changes(cases, residual)
    count = np.isfinite(change).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # no controls: NaN
        spread = np.nanstd(change, axis=1, ddof=1)
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


def _control_changes(cases: Stack, residual: Array) -> Array:
    """[C, K] mean residual after less mean residual before, of each control."""
    used = cases.used[:, 1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        means = [
            (residual[:, 1:] * part[:, None]).sum(axis=2)
            / (used & part[:, None]).sum(axis=2).astype(float)
            for part in (cases.after, cases.before)
        ]
    return np.asarray(means[0] - means[1])


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
