"""Which meters of a block cannot be assessed, given their inferred flow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.demand.sufficiency import not_assessed_reason
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.catalogue import Meter
from rightsize.settings import Thresholds
from rightsize.units import UnitSystem


@dataclass(frozen=True)
class Refusals:
    """Code and message of each of A meters; both empty where the meter is assessed."""

    code: tuple[str, ...]
    message: tuple[str, ...]

    @property
    def is_assessed(self) -> NDArray[np.bool_]:
        """True for the meters that are assessed [A]."""
        return np.array([c == "" for c in self.code], dtype=bool)


def refusals(
    block: ProfileBlock,
    posterior: FlowPosterior,
    sites: SiteBlock,
    meters: tuple[Meter, ...],
    thresholds: Thresholds,
    *,
    units: UnitSystem,
) -> Refusals:
    """Code and message, with the account's own numbers, of each meter not assessed.

    Notes
    -----
    The rules are those of `not_assessed_reason`. A block does not say how many reads were
    estimates: that one is held where blocks are made.
    """
    stat = not_assessed_reason(
        _stat(block, sites, meters).with_columns(has_estimate=_is_usable(posterior)),
        min_days_covered=thresholds.min_days_covered,
        max_estimated_share=thresholds.max_estimated_share,
        max_zero_share=thresholds.max_zero_share,
        min_reads_per_step=thresholds.min_reads_per_step,
        units=units,
    )
    return Refusals(
        code=tuple(stat["not_assessed_code"].fill_null("")),
        message=tuple(stat["not_assessed_message"].fill_null("")),
    )


def _is_usable(posterior: FlowPosterior) -> NDArray[np.bool_]:
    """Whether every sample of each account is finite, and any has flow [A]."""
    by_draw = (
        posterior.actual_gal_per_year,
        posterior.installed_gal_per_year,
        posterior.peak_10s_gpm,
        posterior.peak_1min_gpm,
        posterior.sustained_60min_gpm,
        posterior.unseen_gal_per_year,
        posterior.low_flow_share,
    )
    usable = np.isfinite(posterior.registered_gal_per_year).all(axis=(0, 2))
    steady = posterior.steady_unseen_gal_per_year
    for drawn in by_draw if steady is None else (*by_draw, steady):
        usable &= np.isfinite(drawn).all(axis=0)
    by_band = (
        posterior.time_share,
        posterior.actual_volume_share,
        posterior.actual_volume_share_low,
        posterior.actual_volume_share_high,
    )
    for share in by_band:
        usable &= np.isfinite(share).all(axis=1)
    usable &= (posterior.actual_gal_per_year > 0).any(axis=0)
    return np.asarray(usable, dtype=np.bool_)


def _stat(block: ProfileBlock, sites: SiteBlock, meters: tuple[Meter, ...]) -> pl.DataFrame:
    known = sites.meter_index >= 0
    held = [
        meters[k] if is_known else None
        for k, is_known in zip(sites.meter_index, known, strict=True)
    ]
    return pl.DataFrame(
        {
            "service_kind": pl.Series(sites.service_kind, dtype=pl.String),
            "meter_type": pl.Series(
                [m.meter_type if m else None for m in held], dtype=pl.String
            ),
            "size_in": pl.Series([m.size_in if m else None for m in held], dtype=pl.Float64),
            "meter_index": pl.Series(
                [int(k) if k >= 0 else None for k in sites.meter_index], dtype=pl.Int64
            ),
            "meter_status": np.where(known, "rated", "unknown"),
            "meter_refusal": pl.Series([None] * len(held), dtype=pl.String),
            "days_covered": block.days_covered,
            "read_count": block.reads_used,
            "estimated_count": np.zeros(block.size),
            "reads_used": block.reads_used,
            "zero_count": block.zero_count,
            "registered_gal": block.registered_gal,
            "resolution_gal": block.resolution_gal,
        }
    )
