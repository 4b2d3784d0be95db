"""Which meters cannot be assessed, and why: too few days, coarse registers, fire services."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.posterior import FlowPosterior
from rightsize.settings import Thresholds

ASSESSED: Final = ""
REFUSAL_CODES: Final[tuple[str, ...]] = (
    "fire_service",
    "unknown_meter",
    "no_reads",
    "too_few_days",
    "many_estimates",
    "no_use",
    "coarse_resolution",
    "no_estimate",
)
"""Why a meter is not assessed; where several hold, the first in this order is named."""

MINUTES_PER_DAY: Final = 1440.0


@dataclass(frozen=True)
class Refusals:
    """Code and message of each of A meters; both empty where the meter is assessed."""

    code: tuple[str, ...]
    message: tuple[str, ...]

    @property
    def is_assessed(self) -> NDArray[np.bool_]:
        """True for the meters that are assessed [A]."""
        return np.array([c == ASSESSED for c in self.code], dtype=bool)


def refusals(
    block: ProfileBlock, posterior: FlowPosterior, sites: SiteBlock, thresholds: Thresholds
) -> Refusals:
    """Code and message, with the account's own numbers, of each meter not assessed."""
    days = block.days_covered
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = days * MINUTES_PER_DAY / block.interval_min
        estimated = 1 - block.reads_used / expected
        zero = block.zero_count / block.reads_used
        steps = block.registered_gal / days / block.resolution_gal
    kind = np.array(sites.service_kind)
    unusable = ~np.isfinite(posterior.installed_gal_per_year).all(axis=0)
    unusable |= ~(posterior.actual_gal_per_year > 0).any(axis=0)
    tests = {
        "fire_service": np.isin(kind, ["fire", "combined"]),
        "unknown_meter": sites.meter_index < 0,
        "no_reads": ~(block.reads_used > 0),
        "too_few_days": days < thresholds.min_days_covered,
        "many_estimates": estimated > thresholds.max_estimated_share,
        "no_use": (zero > thresholds.max_zero_share) | (block.registered_gal <= 0),
        "coarse_resolution": steps < thresholds.min_reads_per_step,
        "no_estimate": unusable,
    }
    code = np.select([tests[c] for c in REFUSAL_CODES], REFUSAL_CODES, default=ASSESSED)
    figures = {
        "fire_service": kind,
        "too_few_days": days,
        "many_estimates": estimated * 100,
        "coarse_resolution": steps,
    }
    texts = _texts(thresholds)
    message = [
        texts[c].format(figures[c][k]) if c in figures else texts[c]
        for k, c in enumerate(code.tolist())
    ]
    return Refusals(code=tuple(code.tolist()), message=tuple(message))


def _texts(thresholds: Thresholds) -> dict[str, str]:
    return {
        ASSESSED: "",
        "fire_service": "a {} service is never resized from consumption data: it is referred "
        "to the authority having jurisdiction",
        "unknown_meter": "the installed meter is not in the catalogue",
        "no_reads": "no accepted read shapes a profile",
        "too_few_days": "{:.0f} days are covered; "
        f"{thresholds.min_days_covered:g} are needed",
        "many_estimates": "{:.0f} % of the reads are estimates or missing from the shape; at "
        f"most {thresholds.max_estimated_share * 100:g} % are allowed",
        "no_use": "the meter registered nothing in nearly all intervals: no demand to size for",
        "coarse_resolution": "a day's mean volume is {:.2g} steps of the register; "
        f"{thresholds.min_reads_per_step:g} are needed",
        "no_estimate": "the reads gave no usable estimate of flow",
    }
