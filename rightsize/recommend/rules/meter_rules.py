"""Which catalog meters may be installed at a site: the rules that need no flow.

Every rule is a bit, so that the rules a meter fails at an account are one integer, listed by
name in `candidate.rejected_because`.

Sizes made are those of `rightsize.meters.build.ratings`; other sizes in a catalog are
recognized if installed, but not recommended.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.sites import SiteBlock
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.build.ratings import TRADE_SIZES_IN
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
    "peak_over_design_share",
    "sustained_over_continuous",
    "head_loss",
    "season_not_seen",
    "larger_without_need",
    "replacement_by_age",
    # the last ones say why a meter that may be installed is not the choice
    "benefit_too_small",
    "gain_too_small",
    "payback_too_long",
    "odds_of_benefit",
    "less_benefit",
)
"""Names that `rejected_because` may carry, in order of their bits."""

BIT: Final[dict[str, int]] = {name: 1 << k for k, name in enumerate(CONSTRAINTS)}
NOT_THE_CHOICE: Final[tuple[str, ...]] = CONSTRAINTS[-5:]
"""Reasons why a meter that may be installed is not the choice; it is feasible."""
FEASIBLE_MASK: Final = sum(BIT[n] for n in CONSTRAINTS if n not in NOT_THE_CHOICE)
FLOW_RULES: Final = (
    "peak_over_smoc", "peak_over_design_share", "sustained_over_continuous", "head_loss",
)  # fmt: skip
FLOW_MASK: Final = sum(BIT[n] for n in FLOW_RULES)

NOMINAL_SIZES_IN: Final = (
    0.5, 0.625, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0,
)  # fmt: skip


def meter_rules(meters: Sequence[Meter], thresholds: Thresholds) -> Bits:
    """Rules that a meter fails at every site, as bits [M]."""
    broken = np.zeros(len(meters), dtype=np.int32)
    for k, meter in enumerate(meters):
        made = np.array(TRADE_SIZES_IN[meter.meter_type])
        name = f"{meter.meter_type} {meter.size_in:g}"
        names = (name, f"{name} {meter.grade}")
        checks = {
            "fire_lines_only": meter.meter_type == "fire_service",
            "size_not_made": not np.any(np.abs(made - meter.size_in) < 1e-6),
            "minimum_size": meter.size_in < thresholds.min_size_in - 1e-6,
            "type_not_allowed": _outside((meter.meter_type,), thresholds.allowed_types),
            "standard_not_allowed": _outside((meter.standard,), thresholds.allowed_standards),
            "not_lead_free": _outside(names, thresholds.lead_free_list),
            "not_in_stock": _outside(names, thresholds.stock_list),
        }
        broken[k] = sum(BIT[name] for name, is_broken in checks.items() if is_broken)
    return broken


def unknown_names(meters: Sequence[Meter], thresholds: Thresholds) -> list[str]:
    """Names in the utility's lists of meters and standards that are not in the catalog.

    A name that is written wrong would bar the meter that it means.
    """
    kinds = {f"{m.meter_type} {m.size_in:g}" for m in meters}
    known = {
        "stock_list": kinds | {f"{m.meter_type} {m.size_in:g} {m.grade}" for m in meters},
        "allowed_standards": {m.standard for m in meters},
    }
    known["lead_free_list"] = known["stock_list"]
    return [
        f"{key}: {name!r}"
        for key in ("stock_list", "lead_free_list", "allowed_standards")
        for name in getattr(thresholds, key) or ()
        if name not in known[key]
    ]


def _outside(names: tuple[str, ...], allowed: tuple[str, ...] | None) -> bool:
    return allowed is not None and not any(name in allowed for name in names)


def site_rules(
    meters: Sequence[Meter],
    sites: SiteBlock,
    thresholds: Thresholds,
    *,
    meter_index: NDArray[np.int64],
    charge_change_usd: Array,
) -> Bits:
    """Rules that a meter fails at a site, regardless of flow, as bits [A, M].

    The installed meter itself is exempt: only flow rules apply to it.
    """
    size = meter_arrays(meters).size_in
    broken = np.repeat(meter_rules(meters, thresholds)[None, :], sites.size, axis=0)
    refused = np.isin(np.array(sites.service_kind), ["fire", "combined"])
    broken |= BIT["fire_or_combined"] * refused[:, None]
    line = np.where(np.isnan(sites.service_line_in), np.inf, sites.service_line_in)[:, None]
    steps_down = _nominal_step(line) - _nominal_step(size)[None, :]
    off_line = np.isfinite(line) & (steps_down > thresholds.max_sizes_below_line)
    broken |= BIT["service_line"] * off_line
    broken |= BIT["no_fixed_charge"] * np.isnan(charge_change_usd)
    rows = np.arange(sites.size)
    broken[rows, meter_index] &= BIT["fire_or_combined"]
    return broken.astype(np.int32)


def _nominal_step(size_in: Array) -> NDArray[np.int64]:
    return np.searchsorted(np.array(NOMINAL_SIZES_IN), size_in - 1e-6)


def main_rule(bits: Bits) -> list[str]:
    """For each account the rule that most of its meters fail, in words; '' if none.

    A meter that flow forbids is not asked about other rules, unless flow forbids them all.
    """
    carries = (bits & FLOW_MASK) == 0
    asked = np.where(carries.any(axis=1)[:, None], carries, True)
    broken = np.stack(
        [((bits >> k) & 1).astype(bool) for k in range(len(CONSTRAINTS) - len(NOT_THE_CHOICE))]
    )
    count = (broken & asked).sum(axis=2)
    names = np.array(CONSTRAINTS)[count.argmax(axis=0)]
    return [
        str(n).replace("_", " ") if c else ""
        for n, c in zip(names, count.max(axis=0), strict=True)
    ]


def lost_by(bits: Bits, meter_index: NDArray[np.int64]) -> list[str]:
    """Why a feasible meter of each account is not the choice; '' for meter -1 [A]."""
    mine = bits[np.arange(len(meter_index)), np.maximum(meter_index, 0)]
    mine = np.where(meter_index < 0, 0, mine)
    held = [(mine & BIT[name]) != 0 for name in NOT_THE_CHOICE]
    return [str(n) for n in np.select(held, NOT_THE_CHOICE, default="")]


def rule_names(bits: NDArray[np.int32]) -> tuple[NDArray[np.int64], list[str]]:
    """Codes into a list of texts such as `head_loss, service_line`; no rule is ''."""
    unique, code = np.unique(bits, return_inverse=True)
    texts = [
        ", ".join(name for k, name in enumerate(CONSTRAINTS) if int(value) >> k & 1)
        for value in unique
    ]
    return code.reshape(bits.shape), texts
