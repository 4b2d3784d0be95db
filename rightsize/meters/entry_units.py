"""Metric keys of a catalogue entry, turned into ours once, at the border."""

from __future__ import annotations

from typing import Any, Final

from rightsize.units import GPM_PER_M3H, PSI_PER_BAR

SIZE_IN_OF_MM: Final[dict[float, float]] = {
    15: 0.625, 20: 0.75, 25: 1, 40: 1.5, 50: 2, 65: 2.5, 80: 3, 100: 4, 150: 6, 200: 8,
    250: 10, 300: 12, 350: 14, 400: 16, 450: 18, 500: 20, 600: 24,
}  # fmt: skip
"""Nominal sizes that the trade takes for the same (common practice)."""

_YES_OR_NO: Final = ("is_lead_free", "size_override")
_FLOWS: Final = ("starting", "min_test", "normal_min", "continuous", "smoc")


def in_us_units(raw: dict[str, Any]) -> dict[str, Any]:
    """The entry with metric keys converted; a value given in both units is refused."""
    entry = dict(raw)
    for field, value in entry.items():
        if isinstance(value, bool) and field not in _YES_OR_NO:
            raise ValueError(f"{field}: must not be true or false; got {value}")
    changes: list[tuple[str, str, float]] = [
        (f"{name}_m3h", f"{name}_gpm", GPM_PER_M3H)
        for name in (*_FLOWS, "changeover_falling", "changeover_rising")
    ]
    changes.append(("head_loss_bar_at_smoc", "head_loss_psi_at_smoc", PSI_PER_BAR))
    for metric, ours, factor in changes:
        if metric in entry:
            _only_one(entry, metric, ours)
            entry[ours] = _times(entry.pop(metric), factor, metric)
    if "registration_m3h" in entry:
        _only_one(entry, "registration_m3h", "registration")
        entry["registration"] = _points(entry.pop("registration_m3h"))
    if "size_mm" in entry:
        _only_one(entry, "size_mm", "size_in")
        entry["size_in"] = _size_in(entry.pop("size_mm"))
    return entry


def _points(points: Any) -> list[list[Any]]:
    is_pairs = isinstance(points, list) and all(
        isinstance(point, list) and len(point) == 2 for point in points
    )
    if not is_pairs:
        raise ValueError(f"registration_m3h: must be a list of [flow, ratio]; got {points!r}")
    return [[_times(q, GPM_PER_M3H, "registration_m3h"), ratio] for q, ratio in points]


def _only_one(entry: dict[str, Any], metric: str, ours: str) -> None:
    if ours in entry:
        raise ValueError(f"give {metric} or {ours}, not both")


def _times(value: Any, factor: float, field: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{field}: must be a number; got {value!r}")
    return value * factor


def _size_in(size_mm: Any) -> float:
    if not isinstance(size_mm, int | float) or size_mm not in SIZE_IN_OF_MM:
        allowed = ", ".join(f"{mm:g}" for mm in SIZE_IN_OF_MM)
        raise ValueError(f"size_mm: allowed: {allowed}; got {size_mm!r}")
    return SIZE_IN_OF_MM[size_mm]
