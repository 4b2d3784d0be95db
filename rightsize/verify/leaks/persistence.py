"""Steady flow that a new meter made visible, and how much of it is still there later.

Flow that never stops is mostly leakage. A meter that starts lower shows it, and the utility is
paid for it only as long as nobody mends it. So the share still there after months is measured.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from scipy import stats

from rightsize.contracts.realised_gain import LEFT_AFTER_MONTHS
from rightsize.verify.panel import Array, Cases

BASE_MONTHS: Final = 6  # months before a change whose steady flow is the measure (ours)
LEAST_NEW_GPM: Final = 0.05  # a leak that fills a bath in a day and a half (ours)
LEAST_NEW_DEVIATIONS: Final = 3.0  # of the months before: less is their own scatter (ours)
LEAST_POOLED: Final = 5  # cases, before a share is said of all (ours)
INTERVAL_SHARE: Final = 0.90

TOLD_CODES: Final = ("leak_repaired", "too_few_controls", "too_few_periods_after")
"""Codes that do not hinder the measure. A repaired leak is what is measured: cases set aside
for it count, or only leaks that stay would be seen."""


@dataclass(frozen=True)
class Persistence:
    """Steady flow of C cases; NaN where it cannot be told."""

    before_gpm: Array  # [C] median of the months before
    new_gpm: Array  # [C] in the first whole month after, beyond that before
    left_share: Array  # [C, H] of the new flow, after `LEFT_AFTER_MONTHS`

    @property
    def is_new(self) -> Array:
        """[C] 1 where steady flow showed that was not seen before."""
        return np.isfinite(self.new_gpm).astype(float)


def persistence(steady_gpm: Array, cases: Cases) -> Persistence:
    """Steady flow before, newly seen, and left after months.

    Parameters
    ----------
    steady_gpm : [C, P]
        Of the changed account, by month; NaN where not known.
    """
    at = np.arange(steady_gpm.shape[1])
    start = np.maximum(cases.change - BASE_MONTHS, cases.first)
    base = np.where((at >= start[:, None]) & (at < cases.change[:, None]), steady_gpm, np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # no month: NaN
        before, spread = np.nanmedian(base, axis=1), np.nanstd(base, axis=1)
    before = np.where(np.isfinite(base).sum(axis=1) >= 2, before, np.nan)
    new = _month(steady_gpm, cases, 1) - before
    least = np.maximum(LEAST_NEW_GPM, LEAST_NEW_DEVIATIONS * spread)
    new = np.where(new >= least, new, np.nan)
    left = [
        np.clip((_month(steady_gpm, cases, months) - before) / new, 0, 1)
        for months in LEFT_AFTER_MONTHS
    ]
    return Persistence(before, new, np.stack(left, axis=1))


def _month(steady_gpm: Array, cases: Cases, months: int) -> Array:
    """[C] steady flow that many months after the change, while no other work was done."""
    at = cases.change + months
    inside = at < cases.end
    row = np.arange(len(at))
    found = steady_gpm[row, np.minimum(at, steady_gpm.shape[1] - 1)]
    return np.asarray(np.where(inside, found, np.nan))


def pooled_persistence(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of the table leak_persistence from rows of realised_gain.

    The share is that of the flow, not of the cases: the sum of what is left over the sum of
    what was new. Its 90 % interval is Clopper and Pearson's with the effective number of cases
    (Korn and Graubard 1998, from memory): on the safe side for shares between 0 and 1.
    """
    told = [_pooled(rows, months) for months in LEFT_AFTER_MONTHS]
    return pl.DataFrame(told, schema=_POOLED_SCHEMA, orient="row")


_POOLED_SCHEMA: Final = {
    "months_after": pl.Int64, "case_count": pl.Int64, "new_gpm": pl.Float64,
    "left_share": pl.Float64, "left_low_share": pl.Float64, "left_high_share": pl.Float64,
}  # fmt: skip


@dataclass(frozen=True)
class ObservedShare:
    """What is left of new steady flow after some months, over all cases."""

    case_count: int
    new_gpm: float
    effective_count: float  # cases that their flows are worth (Kish)
    share: float | None  # None: too few cases


def observed_share(rows: pl.DataFrame, months: int) -> ObservedShare:
    """The share of new steady flow that is left, by flow, from rows of realised_gain."""
    held = rows.select(
        "steady_new_gpm", share=f"steady_left_{months}_months_share"
    ).drop_nulls()
    new, share = held["steady_new_gpm"].to_numpy(), held["share"].to_numpy()
    if held.height < LEAST_POOLED:
        return ObservedShare(held.height, float(new.sum()), 0.0, None)
    worth = float(new.sum() ** 2 / (new**2).sum())
    left = float((new * share).sum() / new.sum())
    return ObservedShare(held.height, float(new.sum()), worth, left)


def _pooled(
    rows: pl.DataFrame, months: int
) -> tuple[int, int, float, float | None, float | None, float | None]:
    seen = observed_share(rows, months)
    if seen.share is None:
        return months, seen.case_count, seen.new_gpm, None, None, None
    ends = _ends(seen.share, seen.effective_count)
    return months, seen.case_count, seen.new_gpm, seen.share, *ends


def _ends(share: float, count: float) -> tuple[float, float]:
    """Clopper and Pearson's interval with the number of cases that the weights are worth."""
    held, tail = share * count, (1 - INTERVAL_SHARE) / 2
    low = float(stats.beta.ppf(tail, held, count - held + 1)) if held > 0 else 0.0
    high = float(stats.beta.ppf(1 - tail, held + 1, count - held)) if held < count else 1.0
    return low, high


def columns(found: Persistence, codes: Sequence[str | None]) -> dict[str, Array]:
    """The columns of realised_gain; NaN where a code hinders the measure."""
    told = np.array([c is None or c in TOLD_CODES for c in codes], dtype=bool)
    shares = {
        f"steady_left_{months}_months_share": found.left_share[:, at]
        for at, months in enumerate(LEFT_AFTER_MONTHS)
    }
    return {
        name: np.where(told, values, np.nan)
        for name, values in {
            "steady_before_gpm": found.before_gpm, "steady_new_gpm": found.new_gpm, **shares,
        }.items()
    }  # fmt: skip
