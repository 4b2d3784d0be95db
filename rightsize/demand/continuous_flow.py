"""Flow that runs day and night now and did not before: a possible leak, from when and how much.

Notes
-----
A leak shows as the least hour of the day (common practice: AWWA M36, minimum night flow; named,
not quoted). Today's level is a low percentile of the least hours of the trailing days; the
level before is a high percentile of those of the quietest fortnight. Where today's is above,
the flow began after the last day whose least hour was nearer to the level before. A flow that
runs since before the first read cannot be dated: the rule on the whole year tells it.
"""

from __future__ import annotations

from typing import Final

import polars as pl

QUIET_DAYS: Final = 14
"""Days read that show the level before (our convention: two weeks hold every day twice)."""
BEFORE_DAYS: Final = 28
"""Days read up to the begin that the rate is counted from (our convention)."""
LOW: Final = 0.1  # [1] share of the trailing days that may be below today's level: convention
HIGH: Final = 0.9  # [1] share of the quiet days that are below the level before: convention
FEWEST_DAYS_SHARE: Final = (
    2 / 3
)  # [1] of the trailing days that must have been read: convention
MINUTES_PER_DAY: Final = 1440

_KEY: Final = "meter_id"

FLOWS: Final = {
    "meter_id": pl.String,
    "leak_from_on": pl.Date,
    "leak_gpm": pl.Float64,
    "leak_gal": pl.Float64,
    "leak_days": pl.Int64,
    "leak_before_gpm": pl.Float64,
}
"""Columns of flows found, for frames without any."""


def continuous_flow(
    days: pl.DataFrame, *, window_days: int, least_gpm: float, least_share: float
) -> pl.DataFrame:
    """Meters whose flow has not stopped for the trailing days, but did before.

    Parameters
    ----------
    days : frame, one row a meter and local day of which 20 hours or more were read
        meter_id, day_on, least_gpm: least 60 min mean of the day, day_gpm: its mean [gpm].
    window_days : int
        Trailing days, up to the meter's last, in which the flow must not have stopped.
    least_gpm, least_share : float
        Smallest rate told, and its smallest share of the meter's mean flow.

    Returns
    -------
    frame, one row a meter found
        meter_id, leak_from_on (first day), leak_gpm (registered rate), leak_gal (registered
        from then to the last day), leak_days, leak_before_gpm (level before).
    """
    aged = days.sort(_KEY, "day_on").with_columns(
        last_on=pl.col("day_on").max().over(_KEY), mean_gpm=pl.col("day_gpm").mean().over(_KEY)
    )
    is_now = _is_trailing("last_on", window_days)
    now = (
        aged.filter(is_now)
        .group_by(_KEY)
        .agg(
            pl.col("last_on", "mean_gpm").first(),
            day_count=pl.len(),
            now_gpm=pl.col("least_gpm").median(),
            level_gpm=pl.col("least_gpm").quantile(LOW),
            stop_gpm=pl.col("least_gpm").min(),
        )
        .filter(*_runs(window_days))
    )
    high = pl.col("least_gpm").rolling_quantile(HIGH, window_size=QUIET_DAYS).over(_KEY)
    quiet = (
        aged.filter(~is_now)
        .join(now, on=_KEY, how="semi")
        .sort(_KEY, "day_on")
        .with_columns(high=high)
        .group_by(_KEY)
        .agg(leak_before_gpm=pl.col("high").min())
    )
    risen = now.join(quiet, on=_KEY).filter(pl.col("level_gpm") > pl.col("leak_before_gpm"))
    return _dated(aged.drop("last_on", "mean_gpm"), risen).filter(
        pl.col("leak_gpm") >= least_gpm,
        pl.col("leak_gpm") >= least_share * pl.col("mean_gpm"),
    ).select(
        _KEY, "leak_from_on", "leak_gpm", "leak_gal", "leak_days", "leak_before_gpm"
    ).sort(_KEY)  # fmt: skip


def still_running(days: pl.DataFrame, window_days: int) -> pl.DataFrame:
    """meter_id of meters whose flow has not stopped for the trailing days.

    Only they can be in `continuous_flow`, and their trailing days are enough to tell.

    Parameters
    ----------
    days : frame
        As for `continuous_flow`; days before the trailing ones may be missing.
    """
    return (
        days.with_columns(last_on=pl.col("day_on").max().over(_KEY))
        .filter(_is_trailing("last_on", window_days))
        .group_by(_KEY)
        .agg(day_count=pl.len(), stop_gpm=pl.col("least_gpm").min())
        .filter(*_runs(window_days))
        .select(_KEY)
    )


def _is_trailing(last_on: str, window_days: int) -> pl.Expr:
    return (pl.col(last_on) - pl.col("day_on")).dt.total_days() < window_days


def _runs(window_days: int) -> tuple[pl.Expr, pl.Expr]:
    """Of day_count and stop_gpm of the trailing days: enough of them, none with a stop."""
    return pl.col("day_count") >= FEWEST_DAYS_SHARE * window_days, pl.col("stop_gpm") > 0


def _dated(aged: pl.DataFrame, risen: pl.DataFrame) -> pl.DataFrame:
    """Begin, rate and volume of each flow that has risen."""
    between = (pl.col("level_gpm") + pl.col("leak_before_gpm")) / 2
    told = aged.join(risen, on=_KEY)
    stop = told.filter(pl.col("least_gpm") < between).group_by(_KEY).agg(
        stop_on=pl.col("day_on").max()
    )  # fmt: skip
    before = (
        told.join(stop, on=_KEY)
        .filter(pl.col("day_on") <= pl.col("stop_on"))
        .sort(_KEY, "day_on")
        .group_by(_KEY)
        .agg(before_gpm=pl.col("least_gpm").tail(BEFORE_DAYS).median())
    )
    return (
        risen.join(stop, on=_KEY)
        .join(before, on=_KEY)
        .with_columns(
            leak_from_on=pl.col("stop_on") + pl.duration(days=1),
            leak_gpm=pl.col("now_gpm") - pl.col("before_gpm"),
            leak_days=(pl.col("last_on") - pl.col("stop_on")).dt.total_days(),
        )
        .with_columns(
            leak_gal=pl.col("leak_gpm") * MINUTES_PER_DAY * pl.col("leak_days"),
        )
    )
