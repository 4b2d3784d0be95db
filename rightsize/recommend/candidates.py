"""Which catalogue meters may be put at a site: the rules that need no flow, and their names.

Every rule is a bit, so that the rules a meter breaks at an account travel as one integer and
come out by name in `candidate.rejected_because`.

References
----------
Sizes made: compounds 2, 3, 4, 6 and 8 in; displacement 5/8 to 2 in (common practice).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.sites import SiteBlock
from rightsize.meters.catalogue import Meter
from rightsize.settings import Thresholds

Array = NDArray[np.float64]
Bits = NDArray[np.int32]

CONSTRAINTS: Final[tuple[str, ...]] = (
    "fire_or_combined",
    "fire_lines_only",
    "size_not_made",
    "minimum_size",
    "service_line",
    "standard_not_allowed",
    "type_not_allowed",
    "not_lead_free",
    "not_in_stock",
    "no_fixed_charge",
    "peak_over_smoc",
    "sustained_over_continuous",
    "head_loss",
    "season_not_seen",
    "larger_without_need",
    # the last two say why a meter that may be installed is not the choice
    "odds_of_benefit",
    "less_benefit",
)
"""Names that `rejected_because` may carry, in order of their bits."""

BIT: Final[dict[str, int]] = {name: 1 << k for k, name in enumerate(CONSTRAINTS)}
FEASIBLE_MASK: Final = sum(BIT[name] for name in CONSTRAINTS[:-2])

SIZES_MADE_IN: Final[dict[str, tuple[float, float]]] = {
    "displacement": (0.5, 2.0),
    "compound": (2.0, 8.0),
}
NOMINAL_SIZES_IN: Final = (
    0.5, 0.625, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0,
)  # fmt: skip


def sizes_in(meters: Sequence[Meter]) -> Array:
    """Size of each meter [in]."""
    return np.array([m.size_in for m in meters], dtype=np.float64)


def meter_rules(meters: Sequence[Meter], thresholds: Thresholds) -> Bits:
    """Rules that a meter breaks at every site, as bits [M]."""
    broken = np.zeros(len(meters), dtype=np.int32)
    for k, meter in enumerate(meters):
        low, high = SIZES_MADE_IN.get(meter.meter_type, (0.0, np.inf))
        checks = {
            "fire_lines_only": meter.meter_type == "fire_service",
            "size_not_made": not low <= meter.size_in <= high,
            "minimum_size": meter.size_in < thresholds.min_size_in - 1e-6,
            "type_not_allowed": _outside(meter.meter_type, thresholds.allowed_types),
            "standard_not_allowed": _outside(
                getattr(meter, "standard", None), thresholds.allowed_standards
            ),
            "not_lead_free": thresholds.lead_free_only
            and not getattr(meter, "is_lead_free", False),
            "not_in_stock": _outside(
                f"{meter.meter_type} {meter.size_in:g}", thresholds.stock_list
            ),
        }
        broken[k] = sum(BIT[name] for name, is_broken in checks.items() if is_broken)
    return broken


def _outside(value: str | None, allowed: tuple[str, ...] | None) -> bool:
    return allowed is not None and value not in allowed


def site_rules(
    meters: Sequence[Meter],
    sites: SiteBlock,
    thresholds: Thresholds,
    *,
    meter_index: NDArray[np.int64],
    charge_change_usd: Array,
) -> Bits:
    """Rules that a meter breaks at a site, whatever the flow, as bits [A, M].

    The installed meter itself is there by right: only rules of flow are held against it.
    """
    size = sizes_in(meters)
    broken = np.repeat(meter_rules(meters, thresholds)[None, :], sites.size, axis=0)
    refused = np.isin(np.array(sites.service_kind), ["fire", "combined"])
    broken |= BIT["fire_or_combined"] * refused[:, None]
    line = np.where(np.isnan(sites.service_line_in), np.inf, sites.service_line_in)[:, None]
    steps_down = _nominal_step(line) - _nominal_step(size)[None, :]
    off_line = (size[None, :] > line + 1e-6) | (
        np.isfinite(line) & (steps_down > thresholds.max_sizes_below_line)
    )
    broken |= BIT["service_line"] * off_line
    broken |= BIT["no_fixed_charge"] * np.isnan(charge_change_usd)
    rows = np.arange(sites.size)
    broken[rows, meter_index] &= BIT["fire_or_combined"]
    return broken.astype(np.int32)


def _nominal_step(size_in: Array) -> NDArray[np.int64]:
    return np.searchsorted(np.array(NOMINAL_SIZES_IN), size_in - 1e-6)


def rule_names(bits: NDArray[np.int32]) -> tuple[NDArray[np.int64], list[str]]:
    """Codes into a list of texts such as `head_loss, service_line`; no rule is ''."""
    unique, code = np.unique(bits, return_inverse=True)
    texts = [
        ", ".join(name for k, name in enumerate(CONSTRAINTS) if int(value) >> k & 1)
        for value in unique
    ]
    return code.reshape(bits.shape), texts
