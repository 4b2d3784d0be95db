"""Simulated fleets with planted gains, written from the trade's side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rightsize.verify.panel import Cases, Panel, cases_at

CLASSES = 4
WEEKS = 104
YEAR_WEEKS = 52


@dataclass(frozen=True)
class Fleet:
    """A panel, its cases, and what was planted."""

    panel: Panel
    cases: Cases
    gain_share: np.ndarray  # [C]
    weather: np.ndarray  # [P, 1] the series that accounts answer to, each in its own way


def fleet(
    seed: int,
    *,
    kept: int = 1500,
    changed: int = 400,
    gain=(0.02, 0.08),
    drought: bool = True,
    vacant_share: float = 0.0,
    weeks: int = WEEKS,
    weeks_after: tuple[int, int] = (20, 45),
    answer_spread: float = 0.0,
    scatter: float = 0.06,
) -> Fleet:
    """Weekly volumes: level, season, trend and noise by account; drought by class.

    A drought takes a tenth to a third off for half a year, more from those with a large season.
    Trends drift apart by a standard deviation of 2 % a year within a class. Vacancies of 8 to
    30 weeks strike kept and changed accounts alike. With `answer_spread` accounts of a class
    answer besides to a weather series (season, weekly weather, a dry half year), each with its
    own strength: lognormal about that of its class, this spread of the logarithm. `scatter` is
    the middle account's standard deviation from week to week.
    """
    rng = np.random.default_rng(seed)
    count = kept + changed
    week = np.arange(weeks)
    customer_class = rng.integers(0, CLASSES, count)
    level = np.exp(rng.normal(8, 1, count))
    summer = rng.uniform(0.05, 0.5, CLASSES)[customer_class] * rng.uniform(0.7, 1.3, count)
    season = 1 + summer[:, None] * np.sin(2 * np.pi * (week - 13) / YEAR_WEEKS)
    trend = np.exp(
        (rng.normal(-0.02, 0.02, CLASSES)[customer_class] + rng.normal(0, 0.02, count))[:, None]
        * week
        / YEAR_WEEKS
    )
    volume = level[:, None] * season * trend
    if drought:
        begins = weeks // 2 + 6
        cut = rng.uniform(0.1, 0.2, CLASSES)[customer_class] + 0.2 * summer
        volume = volume * np.where((week >= begins) & (week < begins + 26), 1 - cut[:, None], 1)
    dry = (week >= weeks // 2 + 6) & (week < weeks // 2 + 32)
    weather = np.sin(2 * np.pi * (week - 13) / YEAR_WEEKS) + dry
    if answer_spread:
        weather = weather + rng.normal(0, 0.3, weeks)
        strength = rng.uniform(0.05, 0.3, CLASSES)[customer_class]
        strength = strength * np.exp(rng.normal(0, answer_spread, count))
        volume = volume * np.exp(strength[:, None] * weather)
    spread = np.exp(rng.normal(np.log(scatter), 0.4, count))
    volume = volume * rng.gamma(1 / spread[:, None] ** 2, spread[:, None] ** 2, volume.shape)
    for account in np.flatnonzero(rng.random(count) < vacant_share):
        begins = rng.integers(4, weeks - 8)
        volume[account, begins : begins + rng.integers(8, 30)] *= 0.03
    account = np.arange(kept, count)
    change = weeks - 1 - rng.integers(*weeks_after, changed)
    planted = rng.uniform(*gain, changed)
    volume[account] *= 1 + planted[:, None] * (week > change[:, None])
    is_kept = np.arange(count) < kept
    panel = Panel(volume, customer_class, is_kept)
    cases = cases_at(account, change, periods=weeks, most_before=YEAR_WEEKS)
    return Fleet(panel, cases, planted, weather[:, None])
