"""Times of an unknown file: how they are written, which column holds them, what they mean."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

import polars as pl

from pipelines.commands.look.sample import Sample
from pipelines.sources.columns import plain

FORMATS: Final = (
    "%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %I:%M %p", "%m/%d/%Y %I:%M:%S %p",
    "%d/%m/%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%d/%m/%Y %I:%M %p", "%d/%m/%Y %I:%M:%S %p",
    "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M:%S", "%m-%d-%Y %H:%M", "%m-%d-%Y %H:%M:%S",
    "%d-%m-%Y %H:%M", "%d-%m-%Y %H:%M:%S", "%d-%b-%Y %H:%M", "%d-%b-%Y %H:%M:%S",
    "%Y%m%d%H%M", "%Y%m%d%H%M%S", "%Y%m%d %H:%M", "%m/%d/%y %H:%M", "%d/%m/%y %H:%M",
    "%m/%d/%Y", "%d/%m/%Y", "%d.%m.%Y", "%m-%d-%Y", "%d-%m-%Y", "%d-%b-%Y", "%m/%d/%y",
    "%d/%m/%y", "%Y%m%d",
)  # fmt: skip
"""Writings of a time that need a format, as head ends and reports use them."""
_ISO: Final = re.compile(
    r"^\d{4}[-/]\d{1,2}[-/]\d{1,2}([ T]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?"
    r"\s*(Z|UTC|[+-]\d{2}:?(\d{2})?)?)?$"
)
_ISO_DAY: Final = re.compile(r"^\d{4}([-/])\d{1,2}[-/]\d{1,2}$")
_KNOWS_UTC: Final = re.compile(r"(Z|UTC|[+-]\d{2}:?\d{2})$|^\d{9,13}(\.0*)?$")
_EPOCH: Final = re.compile(r"^\d{9,10}(\.0*)?$|^\d{12,13}$")
_CLOCK: Final = re.compile(r"^\d{1,2}:\d{2}(:\d{2})?( ?[AaPp][Mm])?$")
_MOSTLY: Final = 0.8  # of a column's values; the others may be damaged
_YEARS: Final = range(1990, 2101)


@dataclass(frozen=True)
class Times:
    """Where the times stand and how they are written; `others` would fit as well."""

    at: int
    time: int | None  # the column of the time of day, where that stands apart
    time_format: str  # empty where none is needed
    others: tuple[str, ...]


def time_columns(sample: Sample) -> dict[int, tuple[str, ...]]:
    """The columns that look like times, each with the formats that fit best."""
    found = {k: formats_of(sample, k) for k in range(len(sample.header))}
    return {k: formats for k, formats in found.items() if formats}


def formats_of(sample: Sample, k: int) -> tuple[str, ...]:
    """Formats that fit most values of a column: an empty one for what needs none.

    Where day and month could be either, every date of the file has its say: one 01/13 tells.
    """
    values = sample.some(k)
    if not values:
        return ()
    if sum(bool(_ISO.match(v)) for v in values) >= _MOSTLY * len(values):
        return ("",)
    if all(_EPOCH.match(v) for v in values) and "id" not in plain(sample.header[k]).split("_"):
        return ("",) if 5e8 < float(values[0][:10]) < 4e9 else ()
    fitting = [f for f in FORMATS if _share(values, f) >= _MOSTLY]
    if len(fitting) < 2:
        return tuple(fitting)
    days = sample.values(k).str.split(" ").list.first().unique().to_list()
    fits = {f: sum(parsed(d, f.split(" ")[0]) is not None for d in days) for f in fitting}
    return tuple(f for f in fitting if fits[f] == max(fits.values()))


def _share(values: Sequence[str], time_format: str) -> float:
    return sum(parsed(v, time_format) is not None for v in values) / len(values)


def parsed(text: str, time_format: str) -> datetime | None:
    """A text as a time of the format, of a year that reads may have."""
    try:
        at = datetime.strptime(text, time_format)  # noqa: DTZ007 - only differences count
    except ValueError:
        return None
    return at if at.year in _YEARS else None


def times_at(sample: Sample, at: int, formats: tuple[str, ...]) -> Times:
    """The times of a column, joined with the time of day where that stands apart."""
    clock = _clock_beside(sample, at, formats)
    if clock is None:
        return Times(at, None, formats[0], formats[1:])
    clock_format = _clock_format(sample.some(clock))
    joined = [f"{_day_format(sample, at, f)} {clock_format}" for f in formats]
    is_plain = not formats[0] and clock_format in ("%H:%M", "%H:%M:%S")
    return Times(at, clock, "" if is_plain else joined[0], tuple(joined[1:]))


def _clock_beside(sample: Sample, at: int, formats: tuple[str, ...]) -> int | None:
    days_only = "%H" not in formats[0] and "%I" not in formats[0]
    if not formats[0]:
        days_only = all(_ISO_DAY.match(v) for v in sample.some(at))
    if not days_only:
        return None
    for k in range(len(sample.header)):
        values = sample.some(k)
        if k != at and values and all(map(_CLOCK.match, values)):
            return k
    return None


def _day_format(sample: Sample, at: int, time_format: str) -> str:
    if time_format:
        return time_format
    return "%Y/%m/%d" if "/" in sample.some(at)[0] else "%Y-%m-%d"


def _clock_format(values: Sequence[str]) -> str:
    is_half_day = values[0].strip().lower().endswith("m")
    seconds = ":%S" if values[0].count(":") == 2 else ""
    if not is_half_day:
        return f"%H:%M{seconds}"
    return f"%I:%M{seconds}{' ' if ' ' in values[0].strip() else ''}%p"


def stamps(sample: Sample, times: Times) -> pl.Series:
    """The time of each row as wall clock; null where it is none."""
    texts = sample.column(times.at)
    if times.time is not None:
        texts = texts + pl.Series([" "]) + sample.column(times.time)
    if times.time_format:
        return _of_format(texts, times.time_format)
    if _EPOCH.match(next(iter(texts.drop_nulls()), "")):
        seconds = texts.str.slice(0, 10).cast(pl.Int64, strict=False)
        return (seconds * 1_000_000).cast(pl.Datetime("us"))
    wall = texts.str.replace_all("/", "-").str.replace("T", " ").str.slice(0, 16)
    filled = pl.select(
        pl.when(wall.str.len_chars() <= 10).then(wall + " 00:00").otherwise(wall)
    ).to_series()
    return filled.str.to_datetime("%Y-%m-%d %H:%M", strict=False)


def _of_format(texts: pl.Series, time_format: str) -> pl.Series:
    """Each distinct text once, as Python reads it: some formats are beyond others' readers."""
    distinct = texts.drop_nulls().unique()
    read = {t: parsed(t, time_format) for t in distinct.to_list()}
    return texts.replace_strict(read, default=None, return_dtype=pl.Datetime("us"))


def knows_utc(sample: Sample, times: Times) -> bool:
    """Whether the stamps say their own offset."""
    return all(bool(_KNOWS_UTC.search(v)) for v in sample.some(times.at))


def us_clock_change(at: pl.Series, interval_min: float) -> date | None:
    """The day in spring on which the clock of the reads skips 02:00, as in the United States.

    Daylight time begins on the second Sunday of March: 15 U.S.C. 260a.
    """
    if interval_min > 60 or at.drop_nulls().is_empty():
        return None
    first, last = at.min(), at.max()
    if not isinstance(first, datetime) or not isinstance(last, datetime):
        return None
    for year in range(first.year, last.year + 1):
        march = date(year, 3, 1)
        sunday = march + timedelta(days=(6 - march.weekday()) % 7 + 7)
        hours = at.filter(at.dt.date() == sunday).dt.hour().unique().to_list()
        if {0, 1, 3, 4} <= set(hours) and 2 not in hours:
            return sunday
    return None


def is_stamped_at_start(at: pl.Series, interval_min: float) -> bool | None:
    """Whether the stamps run as those of starts do, from whole days; None if that is open."""
    first, last = at.min(), at.max()
    if not isinstance(first, datetime) or not isinstance(last, datetime):
        return None
    midnight = time(0, 0)
    step = timedelta(minutes=interval_min)
    if first.time() == midnight and (last + step).time() == midnight and first != last:
        return True
    if (first - step).time() == midnight and last.time() == midnight:
        return False
    return None
