"""Words for what came of a change-out, and figures that are held in the published units."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

from rightsize.contracts.realised_gain import NO_GAIN_CODES
from rightsize.evidence.quantity import THIN, Units, pct, significant
from rightsize.units.column_units import metric_name
from rightsize.units.plain_number import rounded

Row = Mapping[str, Any]

CAME_WORD: Final = {"gain": "gain", "loss": "loss", "not_shown": "no gain shown"}
PROMISE_WORD: Final = {
    "short": "short of the promise",
    "held": "as promised",
    "more": "more than promised",
}
PROMISE_SIGN: Final = {"short": "▼", "held": "●", "more": "▲"}


def held(row: Row, name: str, units: Units) -> Any:
    """A value of a published row, by the US name of its column."""
    return row[metric_name(name) if units.is_metric else name]


def volume(row: Row, name: str, units: Units) -> str:
    """A volume of a published row with its unit; empty if there is none."""
    value = held(row, name, units)
    return "" if value is None else _volume(value, units)


def volume_range(row: Row, stem: str, unit: str, units: Units) -> str:
    """Both ends of a volume's range; empty if there is none."""
    low, high = (held(row, f"{stem}_{end}_{unit}", units) for end in ("low", "high"))
    if low is None or high is None:
        return ""
    return f"{_figure(low, units)} to {_volume(high, units)}"


def _volume(value: float, units: Units) -> str:
    return f"{_figure(value, units)}{THIN}{units.volume_unit}"


def _figure(value: float, units: Units) -> str:
    """Three significant digits: what came is not known to more."""
    return significant(rounded(value, 3), parted=units.parted)


def signed_pct(value: float | None) -> str:
    """A share of use with its sign; empty if there is none."""
    if value is None:
        return ""
    return f"+{pct(value)}" if value > 0 else pct(value)


def pct_range(row: Row, stem: str) -> str:
    """Both ends of a share's range; empty if there is none."""
    low, high = row[f"{stem}_low_pct"], row[f"{stem}_high_pct"]
    return "" if low is None or high is None else f"{signed_pct(low)} to {signed_pct(high)}"


def meters_of(row: Row, units: Units) -> str:
    """The meter before and the meter after, as far as they are known."""
    size = metric_name("removed_size_in") if units.is_metric else "removed_size_in"
    new_size = metric_name("installed_size_in") if units.is_metric else "installed_size_in"
    before = units.held_meter(row["removed_type"], row[size], None)
    after = units.held_meter(row["installed_type"], row[new_size], None)
    if before and after:
        return f"{before}, like for like" if before == after else f"{before} to {after}"
    return f"to {after}" if after else (row["kind"] or "").replace("_", " ")


def why(row: Row) -> str:
    """Why no gain is told."""
    return NO_GAIN_CODES.get(row["code"] or "", "")


def day(value: dt.date) -> str:
    """A date."""
    return value.isoformat()
