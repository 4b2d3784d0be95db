"""Metric keys of a catalog entry, converted to US units on input."""

from __future__ import annotations

from typing import Any, Final

from rightsize.units import GPM_PER_M3H, MM_PER_IN, PSI_PER_BAR
from rightsize.units.metric_keys import in_us_keys, refuse_both, size_in_of, times

_YES_OR_NO: Final = ("is_lead_free", "size_override", "needs_power")
_FLOWS: Final = (
    "starting",
    "min_test",
    "normal_min",
    "continuous",
    "smoc",
    "changeover_falling",
    "changeover_rising",
)
_TWINS: Final = {
    **{f"{name}_m3h": (f"{name}_gpm", GPM_PER_M3H) for name in _FLOWS},
    "lay_length_mm": ("lay_length_in", 1 / MM_PER_IN),
    "head_loss_bar_at_smoc": ("head_loss_psi_at_smoc", PSI_PER_BAR),
}


def in_us_units(raw: dict[str, Any]) -> dict[str, Any]:
    """The entry with metric keys converted; a value given in both units is an error."""
    for field, value in raw.items():
        if isinstance(value, bool) and field not in _YES_OR_NO:
            raise ValueError(f"{field}: must not be true or false; got {value}")
    entry: dict[str, Any] = in_us_keys(raw, _TWINS)
    if "registration_m3h" in entry:
        refuse_both(entry, "registration_m3h", "registration")
        entry["registration"] = _points(entry.pop("registration_m3h"))
    if "size_mm" in entry:
        refuse_both(entry, "size_mm", "size_in")
        entry["size_in"] = size_in_of(entry.pop("size_mm"))
    return entry


def _points(points: Any) -> list[list[Any]]:
    is_pairs = isinstance(points, list) and all(
        isinstance(point, list) and len(point) == 2 for point in points
    )
    if not is_pairs:
        raise ValueError(f"registration_m3h: must be a list of [flow, ratio]; got {points!r}")
    return [[times(q, GPM_PER_M3H, "registration_m3h"), ratio] for q, ratio in points]
