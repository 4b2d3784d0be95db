"""The published picture of how an account draws water: flow bands and the profile row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_EDGES_GPM
from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.samples import mean, with_mean
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_matrix
from rightsize.meters.uncertainty.installed_curves import PlacedCurves
from rightsize.units import MINUTES_PER_YEAR

Array = NDArray[np.float64]

BANDS_MERGED = 5
"""Fine bands to one published band: four published bands a decade."""


def flow_band_frame(
    block: ProfileBlock,
    posterior: FlowPosterior,
    meters: Sequence[Meter],
    installed: PlacedCurves | None = None,
) -> pl.DataFrame:
    """Shares of time and volume by published flow band, bands that hold nothing left out.

    Parameters
    ----------
    block, posterior
        A meters and their flow over the B fine bands.
    meters : sequence of Meter
        The catalog that `block.meter_index` points into.
    installed : PlacedCurves, optional
        Curves of installed meters that differ from the catalog's.

    Returns
    -------
    frame
        Columns of the table flow_band but the sweep; band edges in gpm, shares in 0..1. The
        ends of a merged band add up the ends of its parts, which is wide rather than narrow.
    """
    seen = registration_matrix(meters, BAND_CENTRES_GPM)[block.meter_index]  # [A, B]
    if installed is not None and (mine := installed.index >= 0).any():
        own = [installed.curves.meters[k] for k in installed.index[mine]]
        seen[mine] = registration_matrix(own, BAND_CENTRES_GPM)
    registered = posterior.actual_volume_share * seen
    total = registered.sum(axis=1, keepdims=True)
    registered = np.divide(registered, total, out=np.zeros_like(registered), where=total > 0)
    time = _merged(posterior.time_share)
    volume = _merged(posterior.actual_volume_share)
    low = np.minimum(_merged(posterior.actual_volume_share_low), volume)
    high = np.clip(_merged(posterior.actual_volume_share_high), volume, 1.0)
    row, band = np.nonzero((time > 1e-9) | (volume > 1e-9))
    edges = BAND_EDGES_GPM[::BANDS_MERGED]
    account, meter = np.array(block.account_id, dtype=object), np.array(block.meter_id, object)
    return pl.DataFrame(
        {
            "account_id": account[row],
            "meter_id": meter[row],
            "band_from_gpm": edges[band],
            "band_to_gpm": edges[band + 1],
            "time_share": np.clip(time[row, band], 0, 1),
            "actual_volume_share": np.clip(volume[row, band], 0, 1),
            "actual_volume_low_share": np.clip(low[row, band], 0, 1),
            "actual_volume_high_share": high[row, band],
            "registered_volume_share": np.clip(_merged(registered)[row, band], 0, 1),
        },
        schema_overrides={"account_id": pl.String, "meter_id": pl.String},
    )


def profile_frame(
    block: ProfileBlock,
    posterior: FlowPosterior,
    stat: pl.DataFrame,
    meters: Sequence[Meter],
) -> pl.DataFrame:
    """One row a meter: volume, peaks, low flow, and how well they are known.

    Parameters
    ----------
    stat : frame
        Merged statistics in the order of the block: first_on, last_on, read_count,
        estimated_count, night_low_gpm as read, leak_cut_gal that the block leaves out.

    Returns
    -------
    frame
        Columns of the table profile but the sweep, in US units.
    """
    yearly = block.registered_gal / block.days_covered * (MINUTES_PER_YEAR / 1440)
    continuous = meter_arrays(meters).continuous_gpm[block.meter_index]
    reached = BAND_EDGES_GPM[:-1] >= continuous[:, None] * (
        1 - 1e-9
    )  # a tie, whatever the unit
    above = posterior.time_share * reached
    shape = block.band_count.sum(axis=1) + block.zero_count
    columns: dict[str, object] = {
        "account_id": block.account_id,
        "meter_id": block.meter_id,
        "interval_min": block.interval_min,
        "resolution_gal": block.resolution_gal,
        "days_covered": block.days_covered,
        "reads_used": np.rint(block.reads_used).astype(np.int64),
        "registered_gal_per_year": yearly,
        "minimum_night_flow_gpm": stat["night_low_gpm"].fill_null(0.0),
        "leak_left_out_gal_per_year": stat["leak_cut_gal"].fill_null(0.0)
        / block.days_covered
        * (MINUTES_PER_YEAR / 1440),
        "zero_share": np.clip(_ratio(block.zero_count, shape), 0, 1),
        "mean_flow_gpm": yearly / MINUTES_PER_YEAR,
        "peak_interval_gpm": block.max_interval_gpm,
        "peak_60min_gpm": where_read(block.max_hour_gpm),
        "peak_day_gpm": where_read(block.max_day_gpm),
        "above_continuous_share": np.clip(above.sum(axis=1), 0, 1),
        "peak_register_gpm": block.peak_register_gpm,
        "unseen_gal_per_year": mean(posterior.unseen_gal_per_year),
        "low_flow_share": _share(
            posterior.low_flow_share * posterior.actual_gal_per_year,
            posterior.actual_gal_per_year,
        ),
        "below_start_share": _share(
            posterior.unseen_gal_per_year, posterior.actual_gal_per_year
        ),
        "first_read_on": stat["first_on"],
        "last_read_on": stat["last_on"],
        "estimated_share": (stat["estimated_count"] / stat["read_count"]).fill_null(0.0),
        **_interval("actual", "gal_per_year", posterior.actual_gal_per_year),
        **_interval("peak_10s", "gpm", posterior.peak_10s_gpm),
        **_interval("peak_1min", "gpm", posterior.peak_1min_gpm),
        **_interval("sustained_60min", "gpm", posterior.sustained_60min_gpm),
    }
    seldom = ("peak_register_gpm", "peak_60min_gpm", "peak_day_gpm")
    return pl.DataFrame(columns).with_columns(pl.col(seldom).fill_nan(None))


def where_read(largest_gpm: Array) -> Array:
    """Maximum means, NaN without a reading: longer read intervals have no hourly mean."""
    found: Array = np.where(largest_gpm > 0, largest_gpm, np.nan)
    return found


def _interval(stem: str, unit: str, draws: Array) -> dict[str, Array]:
    names = (f"{stem}_{unit}", f"{stem}_low_{unit}", f"{stem}_high_{unit}")
    return dict(zip(names, with_mean(draws), strict=True))


def _merged(shares: Array) -> Array:
    rows, bands = shares.shape
    merged: Array = shares.reshape(rows, bands // BANDS_MERGED, BANDS_MERGED).sum(axis=2)
    return merged


def _share(part: Array, whole: Array) -> Array:
    """Mean of a part over mean of the whole; single precision may take it a hair above 1."""
    return np.clip(_ratio(mean(part), mean(whole)), 0, 1)


def _ratio(part: Array, whole: Array) -> Array:
    return np.divide(part, whole, out=np.zeros_like(whole, dtype=np.float64), where=whole > 0)
