"""Local time to UTC as SQL: the zone's changes in a file's years as a short `case`.

The database's own conversion silently resolves an hour that exists twice, or not at all.
Here both are reported: `fold` (the wall time exists twice), `gap` (it does not exist).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

Kind = Literal["normal", "fold", "gap"]
_STEP: Final = timedelta(hours=6)  # zones change at most a few times a year, never twice in 6 h


@dataclass(frozen=True)
class WallSegment:
    """A stretch of wall time with one rule: `[from_at, until_at)`, offsets in seconds.

    In a fold `offset_s` holds for the first passage, `second_offset_s` for the second.
    """

    from_at: datetime
    until_at: datetime
    kind: Kind
    offset_s: int
    second_offset_s: int


def wall_segments(zone: str, first_at: datetime, last_at: datetime) -> tuple[WallSegment, ...]:
    """The segments of wall time from `first_at` to `last_at` (naive, both inside)."""
    info = ZoneInfo(zone)
    margin = timedelta(days=2)
    begin, end = first_at - margin, last_at + margin
    segments: list[WallSegment] = []
    left = begin
    offset = _offset_s(info, begin)
    for change_at, before, after in _changes(info, begin, end):
        low = change_at + timedelta(seconds=min(before, after))
        high = change_at + timedelta(seconds=max(before, after))
        segments.append(WallSegment(left, low, "normal", before, before))
        kind: Kind = "gap" if after > before else "fold"
        segments.append(WallSegment(low, high, kind, before, after))
        left, offset = high, after
    segments.append(WallSegment(left, end + margin, "normal", offset, offset))
    return tuple(s for s in segments if s.from_at < s.until_at)


def _changes(info: ZoneInfo, begin: datetime, end: datetime) -> list[tuple[datetime, int, int]]:
    """Each change of offset between two UTC instants: (instant, before [s], after [s])."""
    found = []
    at, offset = begin, _offset_s(info, begin)
    while at < end:
        following = at + _STEP
        after = _offset_s(info, following)
        if after != offset:
            found.append((_instant(info, at, following), offset, after))
        at, offset = following, after
    return found


def _instant(info: ZoneInfo, low: datetime, high: datetime) -> datetime:
    before = _offset_s(info, low)
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) // 2
        middle = middle.replace(microsecond=0)
        if middle <= low:
            break
        low, high = (middle, high) if _offset_s(info, middle) == before else (low, middle)
    return high.replace(microsecond=0)


def offset_s(zone: str, utc_at: datetime) -> int:
    """A zone's offset from UTC at a naive UTC instant [s]."""
    return _offset_s(ZoneInfo(zone), utc_at)


def _offset_s(info: ZoneInfo, utc_at: datetime) -> int:
    delta = utc_at.replace(tzinfo=UTC).astimezone(info).utcoffset()
    return int(delta.total_seconds()) if delta is not None else 0


def utc_case(segments: tuple[WallSegment, ...], wall: str, second: str) -> str:
    """SQL for the UTC time of `wall` [us since 1970]; `second` on a fold's second passage.

    A whole number, as it is shifted once more before it becomes a timestamp.
    """
    whens = []
    for s in segments[:-1]:
        shift = (
            f"case when {second} then {_us(s.second_offset_s)} else {_us(s.offset_s)} end"
            if s.kind == "fold"
            else _us(s.offset_s)
        )
        whens.append(f"when {wall} < {_literal(s.until_at)} then {shift}")
    last = _us(segments[-1].offset_s)
    shift = f"case {' '.join(whens)} else {last} end" if whens else last
    return f"epoch_us({wall}) - {shift}"


def _us(offset_s: int) -> str:
    """Seconds as whole microseconds: plain numbers are faster than intervals."""
    return f"({offset_s * 1_000_000}::bigint)"


def kind_case(segments: tuple[WallSegment, ...], wall: str, kind: Kind) -> str:
    """SQL that is true where `wall` lies in a segment of this kind."""
    parts = [
        f"({wall} >= {_literal(s.from_at)} and {wall} < {_literal(s.until_at)})"
        for s in segments
        if s.kind == kind
    ]
    return f"({' or '.join(parts)})" if parts else "false"


def month_case(zone: str, utc: str, first_at: datetime, last_at: datetime) -> str:
    """SQL for the local month of a UTC timestamp between two UTC instants, as a number.

    The number is `12 * year + month - 1`: the database distinguishes partitions by small
    integers much faster than by text.
    """
    info = ZoneInfo(zone)
    local = first_at.replace(tzinfo=UTC).astimezone(info)
    year, month = local.year, local.month
    whens = []
    for _ in range(1200):
        year_next, month_next = (year + 1, 1) if month == 12 else (year, month + 1)
        border = datetime(year_next, month_next, 1, tzinfo=info).astimezone(UTC)
        border = border.replace(tzinfo=None)
        label = str(12 * year + month - 1)
        if border > last_at:
            break
        whens.append(f"when {utc} < {_literal(border)} then {label}")
        year, month = year_next, month_next
    return f"case {' '.join(whens)} else {label} end" if whens else label


def _literal(at: datetime) -> str:
    return f"timestamp '{at:%Y-%m-%d %H:%M:%S}'"
