"""Maps the columns of an export to ours."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Final

from rightsize.errors import ConfigError

_USUAL: Final[dict[str, tuple[str, ...]]] = {
    "meter_id": (
        "meter_id", "meterid", "meter", "meter_no", "meter_number", "meter_serial",
        "serial_number", "serial_no", "serial", "device_id", "endpoint_id", "register_id",
        "service_point_id", "sp_id", "mtr_id", "meter_sn",
    ),
    "at": (
        "interval_end", "interval_start", "read_at", "at", "read_time", "read_datetime",
        "reading_time", "timestamp", "datetime", "date_time", "time", "read_date",
        "reading_date", "interval_end_time", "interval_datetime", "end_time", "start_time",
        "local_time", "flow_time", "ts",
    ),
    "volume": (
        "volume", "consumption", "usage", "registered", "interval_volume", "flow", "use",
        "quantity", "value", "delta", "gallons", "volume_gal", "registered_gal",
    ),
    "reading": (
        "reading", "register_reading", "read", "register_read", "meter_reading", "index",
        "cumulative", "read_value", "odometer", "dial_reading", "value",
    ),
    "time": (),  # beside a date only where the configuration says so
    "quality": (
        "quality", "quality_code", "read_quality", "read_type", "status", "flag", "validity",
        "estimated", "quality_flag", "read_status",
    ),
    "date": ("date", "read_date", "reading_date", "day", "usage_date", "flow_date"),
    "peak": ("peak_gpm", "peak_flow_gpm", "peak_flow", "peak"),
    "interval_min": ("interval_min", "interval_minutes", "interval_length_min"),
    "unit": ("unit", "uom", "unit_of_measure", "volume_unit"),
}  # fmt: skip

NEEDED: Final[dict[str, tuple[str, ...]]] = {
    "interval": ("meter_id", "at", "volume"),
    "register": ("meter_id", "at", "reading"),
    "wide": ("meter_id", "date"),
}
OPTIONAL: Final[dict[str, tuple[str, ...]]] = {
    "interval": ("time", "quality", "peak", "interval_min", "unit"),
    "register": ("time", "quality", "peak", "unit"),
    "wide": ("quality", "unit"),
}


def plain(name: str) -> str:
    """A column name normalized for comparison: lower case, words joined by underscores."""
    return re.sub(r"[^0-9a-z]+", "_", name.strip().lower()).strip("_")


def usual_names(ours: str) -> tuple[str, ...]:
    """Names that exports commonly use for one of our columns, best first."""
    return _USUAL[ours]


def column_positions(
    header: Sequence[str], mapping: Mapping[str, str], layout: str, *, where: str
) -> dict[str, int]:
    """Position of each of our columns in a file's header.

    Parameters
    ----------
    header
        The file's column names, verbatim.
    mapping
        Our name -> theirs, from the configuration; other columns are found by their usual
        names.
    layout
        `interval`, `register` or `wide`.
    where
        File and export, for messages.

    Raises
    ------
    ConfigError
        If a required or configured column is missing or duplicate, or the mapping uses an
        unknown name.
    """
    allowed = NEEDED[layout] + OPTIONAL[layout]
    for ours in mapping:
        if ours not in allowed:
            raise ConfigError(
                f"{where}: columns: unknown name {ours!r} for layout {layout}; "
                f"allowed: {', '.join(allowed)}"
            )
    found: dict[str, int] = {}
    for ours in allowed:
        position = _position(header, mapping.get(ours), ours, where)
        if position is not None:
            found[ours] = position
        elif ours in NEEDED[layout]:
            raise ConfigError(_missing(header, mapping.get(ours), ours, where))
    return found


def _position(header: Sequence[str], theirs: str | None, ours: str, where: str) -> int | None:
    names = [h.strip() for h in header]
    if theirs is not None:
        hits = [i for i, name in enumerate(names) if name == theirs.strip()]
        hits = hits or [i for i, name in enumerate(names) if plain(name) == plain(theirs)]
        if not hits:
            raise ConfigError(_missing(header, theirs, ours, where))
    else:
        by_name = [plain(name) for name in names]
        usual = next((u for u in _USUAL[ours] if u in by_name), None)
        hits = [i for i, name in enumerate(by_name) if name == usual] if usual else []
    if len(hits) > 1:
        raise ConfigError(
            f"{where}: column {names[hits[0]]!r} appears {len(hits)} times in the header; "
            f"rename all but the one that holds {ours}"
        )
    return hits[0] if hits else None


def _missing(header: Sequence[str], theirs: str | None, ours: str, where: str) -> str:
    names = [h.strip() for h in header]
    looked = f"no column {theirs!r}" if theirs else f"no column for {ours}"
    near = difflib.get_close_matches(theirs or ours, names, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return f"{where}: {looked} (our {ours}); the file has: {', '.join(names)}{hint}"
