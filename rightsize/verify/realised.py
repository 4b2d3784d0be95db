"""The realized gain of every change-out, or the reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rightsize.verify.difference import Effect, best_adjusted, stack
from rightsize.verify.matching import NO_CONTROL, matched_controls
from rightsize.verify.panel import Array, Bools, Cases, Grain, Ints, Panel
from rightsize.verify.set_aside import events, unsteady_controls

CONTROLS: Final = 20
"""Controls a case: 19 degrees of freedom keep the interval within 5 % of the normal's."""

SPARE_CONTROLS: Final = 10  # matched besides, to take the place of those that were unsteady
LEAST_CONTROLS: Final = 6  # with fewer the interval's t passes 2.0 (5 degrees of freedom)
CASES_AT_ONCE: Final = 250  # bounds memory: 250 cases, 31 accounts, 104 weeks: 6 MB an array
DAYS_PER_YEAR: Final = 365.25


@dataclass(frozen=True)
class Realised:
    """What came of C change-outs. Gain is NaN where `code` says why."""

    gain_share: Array  # [C] of the adjusted baseline
    gain_low_share: Array  # [C] 90 % interval
    gain_high_share: Array  # [C]
    log_error: Array  # [C] standard error of log(1 + gain)
    gain_gal_per_year: Array  # [C] at the use of the time before the change
    gain_low_gal_per_year: Array  # [C]
    gain_high_gal_per_year: Array  # [C]
    control_count: Ints  # [C]
    periods_before: Ints  # [C] with reads
    periods_after: Ints  # [C]
    is_weather_adjusted: Bools  # [C]
    code: tuple[str | None, ...]  # [C] of the contract's `NO_GAIN_CODES`


def realised(
    panel: Panel,
    cases: Cases,
    grain: Grain,
    *,
    controls: int = CONTROLS,
) -> Realised:
    """Judge every case against matched accounts that kept their meter.

    Parameters
    ----------
    panel, cases
        Volumes, and the change-outs among them.
    grain : Grain
        Weeks or months, and how many of them a case needs.
    controls : int
        Accounts that a case is held against.

    Notes
    -----
    The yearly volume is the share times the account's own use before the change: savings
    normalized to the baseline's conditions, not the dry or wet year that followed (IPMVP's
    normalized savings; from memory). With less than a year before, it follows those seasons.
    """
    panel.check()
    near = matched_controls(panel, cases, controls=controls + SPARE_CONTROLS)
    starts = range(CASES_AT_ONCE, cases.size, CASES_AT_ONCE)
    parts = [
        _judge(panel, cases.take(some), near[some], grain, controls)
        for some in np.split(np.arange(cases.size), starts)
    ]
    return _refused(_joined(parts), grain)


def _judge(panel: Panel, cases: Cases, near: Ints, grain: Grain, controls: int) -> Realised:
    chosen = steady_controls(panel, cases, near, grain, controls)
    made = stack(panel, cases, chosen)
    found, is_weather = best_adjusted(made, panel.weather)
    steady = None
    if panel.steady_gal_per_day is not None:
        steady = panel.steady_gal_per_day[cases.account]
    periods = panel.registered_gal_per_day.shape[1]
    has_read = np.isfinite(panel.registered_gal_per_day[cases.account])
    base_gal_per_year = made.base_gal_per_day * DAYS_PER_YEAR
    return Realised(
        *_shares(found),
        gain_gal_per_year=found.gain_share * base_gal_per_year,
        gain_low_gal_per_year=found.gain_low_share * base_gal_per_year,
        gain_high_gal_per_year=found.gain_high_share * base_gal_per_year,
        control_count=(chosen != NO_CONTROL).sum(axis=1),
        periods_before=(has_read & cases.before(periods)).sum(axis=1),
        periods_after=(has_read & cases.after(periods)).sum(axis=1),
        is_weather_adjusted=is_weather,
        code=tuple(events(made, grain, steady).codes),
    )


def _shares(found: Effect) -> tuple[Array, Array, Array, Array]:
    return found.gain_share, found.gain_low_share, found.gain_high_share, found.log_error


def steady_controls(
    panel: Panel, cases: Cases, near: Ints, grain: Grain, controls: int
) -> Ints:
    """[C, K] first of `near` that neither stood vacant nor changed their use; -1 for none."""
    is_out = unsteady_controls(stack(panel, cases, near), grain) | (near == NO_CONTROL)
    order = np.argsort(is_out, axis=1, kind="stable")[:, :controls]
    kept = np.take_along_axis(near, order, axis=1)
    return np.where(np.take_along_axis(is_out, order, axis=1), NO_CONTROL, kept)


def _refused(found: Realised, grain: Grain) -> Realised:
    code = [
        "too_few_periods_before"
        if before < grain.least_before
        else "too_few_periods_after"
        if after < grain.least_after
        else told
        or ("too_few_controls" if count < LEAST_CONTROLS or not np.isfinite(error) else None)
        for before, after, count, error, told in zip(
            found.periods_before,
            found.periods_after,
            found.control_count,
            found.log_error,
            found.code,
            strict=True,
        )
    ]
    is_told = np.array([c is None for c in code])
    blank = {
        name: np.where(is_told, getattr(found, name), np.nan)
        for name in (
            "gain_share", "gain_low_share", "gain_high_share", "log_error",
            "gain_gal_per_year", "gain_low_gal_per_year", "gain_high_gal_per_year",
        )
    }  # fmt: skip
    return replace(found, code=tuple(code), **blank)


def _joined(parts: list[Realised]) -> Realised:
    arrays = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in Realised.__dataclass_fields__
        if name != "code"
    }
    return Realised(**arrays, code=tuple(c for part in parts for c in part.code))
