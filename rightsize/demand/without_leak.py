"""The year of a meter without a flow that began in it and never stops since.

A possible leak is no use to size a meter for: it is found and repaired. So its flow is taken
off the reads from the day it began; what is left is the account as it was. Its volume is told
beside (`continuous_flow`).

Notes
-----
Only monthly sums are at hand, so it is done month by month. A month is before the leak, after
its begin, or it holds the begin: of that month the shape is left out. Its largest read is
lowered by the leak where that explains it; one that is larger still stands as it was read,
which is the safe side. In the months after, a read that hardly exceeds the leak
tells nothing of the use above it: such reads are taken to have held what the reads of the
months before held at such low flow.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.demand.bands import BAND_COUNT, BAND_EDGES_GPM, band_of

Array = NDArray[np.floating[Any]]

MINUTES_PER_DAY: Final = 1440
BEFORE_SHARE: Final = 0.1  # [1] of a month's days: so few do not change its shape: convention
AFTER_SHARE: Final = 0.9  # [1] of a month's days: as good as all: convention
HARDLY_ABOVE: Final = 0.12  # [1] of the leak: as wide as a flow band
PIECES: Final = 8  # [1] of a band: less the leak it is wider than bands of small flow
LEAST_LEFT: Final = 0.05  # [1] of a sum of squares, which no correction takes away: convention

_KEY: Final = "meter_id"
_SQUARES: Final = {
    "within_ss": "shape_count",
    "lag1_ss": "lag1_count",
    "lag2_ss": "lag2_count",
    "lag3_ss": "lag3_count",
    "day_ss": "day_count",
}
_LARGEST: Final = ("max_interval_gpm", "max_hour_gpm", "max_day_gpm", "peak_register_gpm")


def leak_share(month: pl.Expr, leak_from_on: pl.Expr) -> pl.Expr:
    """Share of a month's days on which the leak ran; `month` is its first day."""
    last_on = month.dt.offset_by("1mo")
    days = (last_on - month).dt.total_days()
    return ((last_on - leak_from_on).dt.total_days() / days).clip(0.0, 1.0)


def stat_without_leak(months: pl.DataFrame) -> pl.DataFrame:
    """Yearly sums and maxima of each meter without its leak.

    Parameters
    ----------
    months : frame, one row a meter, month and read interval
        meter_id, weight [1] of the month, leak_gpm [gpm] as registered, leak_share [1] of the
        month, is_main: whether it is the meter's main read interval, and the sums of
        month_stat; year_gal [gal] the year's volume with the leak; shape_gal [gal] volume of
        the reads that shape flow.

    Returns
    -------
    frame, one row a meter
        meter_id, leak_gal [gal] of the leak within the year, registered_gal without it,
        within_ss, lag1_ss to lag3_ss, day_ss, slot_ss [gpm2], max_interval_gpm, max_hour_gpm,
        max_day_gpm, peak_register_gpm.
    """
    leak, share, weight = pl.col("leak_gpm"), pl.col("leak_share"), pl.col("weight")
    swing = leak**2 * share * (1 - share)
    slot = (
        pl.col("slot_ss")
        - 2 * leak * share * pl.col("shape_gal") / pl.col("interval_min")
        + pl.col("shape_count") * (leak * share) ** 2
    )
    main = months.filter("is_main").group_by(_KEY).agg(
        *(
            pl.max_horizontal(
                ((pl.col(ss) - pl.col(count) * swing) * weight).sum(),
                LEAST_LEFT * (pl.col(ss) * weight).sum(),
            ).alias(ss)
            for ss, count in _SQUARES.items()
            if ss != "day_ss"
        ),
        slot_ss=(
            pl.max_horizontal(slot, LEAST_LEFT * pl.col("slot_ss")) * weight
        ).sum(),
        max_interval_gpm=_largest("max_interval_gpm"),
    )  # fmt: skip
    whole = months.group_by(_KEY).agg(
        pl.max_horizontal(
            ((pl.col("day_ss") - pl.col("day_count") * swing) * weight).sum(),
            LEAST_LEFT * (pl.col("day_ss") * weight).sum(),
        ).alias("day_ss"),
        *(_largest(name).alias(name) for name in _LARGEST[1:]),
        leak_gal=(leak * MINUTES_PER_DAY * share * pl.col("days_covered") * weight).sum(),
        year_gal=pl.col("year_gal").first(),
    )
    return main.join(whole, on=_KEY).select(
        pl.exclude("year_gal"),
        registered_gal=pl.max_horizontal(pl.col("year_gal") - pl.col("leak_gal"), 0.0),
    )


def _largest(name: str) -> pl.Expr:
    """The largest of the year, of the month that holds the begin where the leak explains it."""
    leak, share, read = pl.col("leak_gpm"), pl.col("leak_share"), pl.col(name)
    less = read - leak * (share > 0)
    has_begin = (share > 0) & (share < 1)
    others = less.filter(~has_begin).max()
    in_begin, as_read = less.filter(has_begin).max(), read.filter(has_begin).max()
    begin = pl.when(in_begin > others).then(as_read).otherwise(in_begin)
    largest = pl.max_horizontal(others, begin)
    return pl.when(largest < 0).then(0.0).otherwise(largest)


def bands_without_leak(bands: pl.DataFrame) -> pl.DataFrame:
    """Histograms of each meter without its leak.

    Parameters
    ----------
    bands : frame, one row a meter, month, kind of window and band
        meter_id, kind, band (-1: zero registration), interval_min of the windows, window_count
        and volume_gal [gal], each by the month's weight, leak_gpm [gpm], leak_share [1].

    Returns
    -------
    frame, one row a meter, kind and band
        meter_id, kind, band, window_count, volume_gal; as many windows as before.
    """
    parts = [
        _one_without_leak(part).with_columns(
            pl.lit(part[_KEY][0]).alias(_KEY), pl.lit(part["kind"][0]).alias("kind")
        )
        for part in bands.partition_by(_KEY, "kind", maintain_order=True)
    ]
    names = (_KEY, "kind", "band", "window_count", "volume_gal")
    if not parts:
        return bands.select(names).clear()
    return pl.concat(parts).select(names).cast({"band": bands.schema["band"]})


def _one_without_leak(part: pl.DataFrame) -> pl.DataFrame:
    """One meter and kind of window: band, window_count, volume_gal."""
    share, leak_gpm = pl.col("leak_share"), float(part["leak_gpm"][0])
    window_min = float(part["interval_min"][0])
    before = _dense(part.filter(share <= BEFORE_SHARE))
    after = _dense(part.filter(share >= AFTER_SHARE))
    told = float(before[0].sum() + after[0].sum())
    if told <= 0:
        return part.group_by("band").agg(pl.col("window_count", "volume_gal").sum())
    count, gal = _shifted(after, before, leak_gpm, window_min)
    whole = float(part["window_count"].sum()) / told
    count, gal = whole * (count + before[0]), whole * (gal + before[1])
    at = np.flatnonzero(count > 0)
    return pl.DataFrame({"band": at - 1, "window_count": count[at], "volume_gal": gal[at]})


def _dense(part: pl.DataFrame) -> tuple[Array, Array]:
    """Counts and volumes [B + 1], those of zero registration first."""
    at = part["band"].to_numpy().astype(np.int64) + 1
    size = BAND_COUNT + 1
    count, gal = (
        np.bincount(at, part[name].to_numpy(), size).astype(np.float64)
        for name in ("window_count", "volume_gal")
    )
    return count, gal


def _shifted(
    after: tuple[Array, Array], before: tuple[Array, Array], leak_gpm: float, window_min: float
) -> tuple[Array, Array]:
    """Windows of the months after the begin, less the leak."""
    count, gal = after
    new_count, new_gal = np.zeros_like(count), np.zeros_like(gal)
    near = 1 + int(band_of(np.array([leak_gpm * (1 + HARDLY_ABOVE)]))[0])  # last such column
    above = np.flatnonzero(count[near + 1 :] > 0) + near + 1
    flow = _spread_out(above, gal[above] / (window_min * count[above])) - leak_gpm
    part = np.repeat(count[above] / PIECES, PIECES)
    at = band_of(np.maximum(flow.ravel(), 0.0)) + 1
    np.add.at(new_count, at, part)
    np.add.at(new_gal, at, part * window_min * np.maximum(flow.ravel(), 0.0))
    reach_gpm = BAND_EDGES_GPM[near] - leak_gpm  # what such a window may hold beside the leak
    low = np.flatnonzero(BAND_EDGES_GPM[1:] <= reach_gpm) + 1
    low = np.concatenate([[0], low])
    held = before[0][low]
    windows = count[: near + 1].sum()
    if held.sum() > 0:
        new_count[low] += windows * held / held.sum()
        new_gal[low] += windows * before[1][low] / held.sum()
    else:
        new_count[0] += windows
    return new_count, new_gal


def _spread_out(column: NDArray[np.int64], mean_gpm: Array) -> Array:
    """Flows that stand for the windows of each band [N, PIECES]: even, with the band's mean."""
    low, high = BAND_EDGES_GPM[column - 1], BAND_EDGES_GPM[column]
    place = (np.arange(PIECES) + 0.5) / PIECES - 0.5
    room = 2 * np.minimum(mean_gpm - low, high - mean_gpm)
    return np.asarray(mean_gpm[:, None] + np.maximum(room, 0.0)[:, None] * place)
