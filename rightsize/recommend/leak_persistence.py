"""How long steady flow goes on once a new meter shows it, and what that leaves of its money.

Notes
-----
A meter that does not turn at a leak's flow hides it. A new one that turns puts it on the bill:
the customer repairs it, sooner or later, or it was use after all and goes on. The share of such
flow that still runs after 3, 12 and 36 months is a setting (common practice: wide, no source
that fits every utility); between them it falls in a straight line, and what runs after 36
months stays.

Each sample has one course of that share, the same for all accounts: its range is that of the
share, as it is over many accounts. Whether one leak is repaired is luck beyond it, which a
program of many changes evens out.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.horizon import MONTHS_PER_YEAR, Horizon

Array = NDArray[np.float64]

KNOWN_AFTER_MONTHS: Final = (0, 3, 12, 36)  # [months] at which a share is set: convention
LAST_MONTH: Final = KNOWN_AFTER_MONTHS[-1]


@dataclass(frozen=True)
class LeakSettings:
    """What the utility says of leaks, as plain values."""

    is_counted: bool  # False: steady flow runs for the life of the meter
    running_share: tuple[float, float, float]  # after 3, 12 and 36 months
    spread_share: float  # half-width of the range of those shares
    credited_share: float  # of a repaired leak's bill, given back as an adjustment
    credited_months: float  # most months of which it is given back
    avoided_usd_per_gal: float  # what a gallon that no longer runs saves the utility


@dataclass(frozen=True)
class LeakCourse:
    """Repair in each of J samples, year by year and over L lives of meters."""

    running_part: Array  # [J, Y] mean share of steady flow that runs in a year
    credited_years: Array  # [J, Y] years of its bill given back in that year
    unpaid_share: Array  # [J, L] of its money over a life, as present value
    repaired_share: Array  # [J, L] of its volume over a life, weighed likewise
    avoided_usd_per_gal: float


def shared_quantiles(name: str, count: int) -> Array:
    """Even quantiles in (0, 1), in an order that follows from a name alone [J]."""
    stream = int.from_bytes(hashlib.blake2b(name.encode(), digest_size=8).digest(), "little")
    return np.random.default_rng(stream).permutation((np.arange(count) + 0.5) / count)


def running_share(settings: LeakSettings, count: int) -> Array:
    """Share of steady flow that runs after 0 to 36 months, by sample [J, 37]."""
    at = np.arange(LAST_MONTH + 1)
    middle = np.interp(at, KNOWN_AFTER_MONTHS, (1.0, *settings.running_share))
    known = np.minimum(at / KNOWN_AFTER_MONTHS[1], 1.0)  # no doubt on the day of the change
    moved = settings.spread_share * (2 * shared_quantiles("leak repair", count) - 1)
    share = np.clip(middle + known * moved[:, None], 0.0, 1.0)
    return np.asarray(np.minimum.accumulate(share, axis=1))


def leak_course(settings: LeakSettings, count: int, horizon: Horizon) -> LeakCourse | None:
    """Repair in `count` samples over the lives of a catalog; None if it is not counted."""
    if not settings.is_counted:
        return None
    months = max(horizon.year_count * MONTHS_PER_YEAR, LAST_MONTH)
    share = running_share(settings, count)
    share = np.hstack([share, np.repeat(share[:, -1:], months - LAST_MONTH, axis=1)])
    ends = (np.arange(months) + 0.5) / MONTHS_PER_YEAR  # repaired in the middle of a month
    given = settings.credited_share * np.minimum(ends, settings.credited_months / 12)
    runs = _by_year((share[:, 1:] + share[:, :-1]) / 2 / MONTHS_PER_YEAR, horizon)
    credits = _by_year((share[:, :-1] - share[:, 1:]) * given, horizon)
    kept = runs @ horizon.year_weight.T
    return LeakCourse(
        running_part=runs,
        credited_years=credits,
        unpaid_share=1 - kept + credits @ horizon.lump_weight.T,
        repaired_share=1 - kept,
        avoided_usd_per_gal=settings.avoided_usd_per_gal,
    )


def _by_year(months: Array, horizon: Horizon) -> Array:
    """Sums over the months of each year of the horizon [J, Y]."""
    whole = months[:, : horizon.year_count * MONTHS_PER_YEAR]
    return np.asarray(whole.reshape(len(months), -1, MONTHS_PER_YEAR).sum(axis=2))
