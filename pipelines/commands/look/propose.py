"""Propose how to read an unknown export file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import polars as pl
import yaml

from pipelines.commands.look.sample import Sample, parquet_sample, text_sample
from pipelines.commands.look.times import (
    Times,
    is_stamped_at_start,
    knows_utc,
    stamps,
    time_columns,
    times_at,
    us_clock_change,
)
from pipelines.sources.amounts import is_usual_quality, unit_of_word
from pipelines.sources.columns import plain, usual_names
from pipelines.sources.parquet_file import is_parquet
from pipelines.sources.wide import is_cell
from pipelines.store.delimited import sample_lines
from pipelines.store.file_stamp import is_plain_file
from rightsize.errors import ConfigError

_UNITS: Final = {
    "kgal": "kgal", "ccf": "ccf", "hcf": "ccf", "cf": "ft3", "ft3": "ft3", "cuft": "ft3",
    "m3": "m3", "liters": "L", "litres": "L", "l": "L", "gal": "gal", "gallons": "gal",
}  # fmt: skip
_CODE_BEGINS: Final = {
    "edit": "edited", "corr": "edited", "adj": "edited", "manual": "edited",
    "est": "estimated", "interp": "estimated", "act": "measured", "verif": "measured",
    "susp": "questionable", "miss": "missing",
}  # fmt: skip
"""First letters of quality codes: common practice, from memory."""
_POINTS_GROUP: Final = re.compile(r"^-?\d{1,3}(\.\d{3})+,\d+$")  # 1.234,5
_RISING_SHARE: Final = 0.98  # of a register's steps; others are resets and damage
_MOSTLY: Final = 0.8


@dataclass(frozen=True)
class Proposal:
    """How a file might be read, and what a person should check before believing it.

    `reads` has meter_id and at (wall clock) of each row that was read, where they can be told.
    """

    export: dict[str, Any]
    notes: tuple[str, ...]
    told: str = "not read: its form is known"
    is_whole: bool = False
    clock: str | None = None  # what its stamps tell of the time zone
    reads: pl.DataFrame = field(default_factory=pl.DataFrame, compare=False, repr=False)

    @property
    def yaml(self) -> str:
        """The proposal as an entry of `exports`."""
        return yaml.safe_dump([self.export], sort_keys=False, allow_unicode=True)


def propose_mapping(path: Path) -> Proposal:
    """Suggest layout, columns, time format, interval and unit of an unknown file.

    Raises
    ------
    ConfigError
        If the file cannot be read, or nothing in it looks like reads.
    """
    try:
        if not is_plain_file(path):
            raise ConfigError(f"{path}: not a regular file")
        found = sample_of(path)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
    base = {"name": path.name.split(".")[0], "path": str(path)}
    if found is None:
        told = ("meter_id is the usage point's id; columns: {meter_id: title} takes its title",)
        return Proposal({**base, "layout": "espi"}, told)
    written, sample = found
    return propose_table({**base, **written}, sample)


def sample_of(path: Path) -> tuple[dict[str, Any], Sample] | None:
    """How a table is written, where not as usual, and its rows; None for XML.

    Raises
    ------
    ConfigError
        If it is no table.
    OSError
        If it cannot be opened.
    """
    if is_parquet(path):
        return {}, parquet_sample(path)
    if any(line.lstrip("\ufeff \t").startswith("<") for line in sample_lines(path, 5)[:1]):
        return None
    kind, skip_lines, sample = text_sample(path)
    written: dict[str, Any] = {}
    if kind.delimiter != ",":
        written["delimiter"] = kind.delimiter
    if kind.encoding.lower() != "utf-8":
        written["encoding"] = kind.encoding
    if skip_lines:
        written["skip_lines"] = skip_lines
    return written, sample


def propose_table(base: dict[str, Any], sample: Sample) -> Proposal:
    """Propose how to read a table of reads.

    Raises
    ------
    ConfigError
        If it has no time or no amount.
    """
    notes = [f"not UTF-8; assumed encoding: {base['encoding']}"] if "encoding" in base else []
    cells = [k for k, name in enumerate(sample.header) if is_cell(name)]
    is_wide = len(cells) >= 23
    formats = time_columns(sample)
    at = _pick(sample, "date" if is_wide else "at", list(formats))
    if at is None:
        raise ConfigError(
            f"{base['path']}: no time column found; the file has: {', '.join(sample.header)}"
        )
    times = Times(at, None, formats[at][0], formats[at][1:])
    reads, clock = pl.DataFrame(), None
    if is_wide:
        export = base | _wide(sample, cells, at)
        numbers = cells
    else:
        times = times_at(sample, at, formats[at])
        amount = _pick_amount(sample, {*formats, at, times.time})
        if amount is None:
            raise ConfigError(
                f"{base['path']}: no volume or reading column found; the file has: "
                f"{', '.join(sample.header)}"
            )
        numbers = [amount]
        reads = pl.DataFrame({"at": stamps(sample, times)})
        proposed, meter = _long(sample, times, amount, reads["at"], notes)
        export = base | proposed
        reads = reads.with_columns(sample.column(meter).alias("meter_id")).drop_nulls()
        clock = _clock(sample, times, reads["at"], export.get("interval_min", 60.0))
    export |= _unit(sample, numbers, export["columns"], notes) | _decimal(sample, numbers)
    if times.time_format:
        export["time_format"] = times.time_format
        if times.others:
            notes.append(
                f"CHOOSE: no date of the file tells {times.time_format} from {times.others[0]}"
            )
    return Proposal(export, tuple(notes), sample.told, sample.is_whole, clock, reads)


def _wide(sample: Sample, cells: Sequence[int], at: int) -> dict[str, Any]:
    meter = _meter_column(sample, {*cells, at})
    columns = {"meter_id": sample.header[meter], "date": sample.header[at]}
    per_day = 96 if len(cells) > 48 else 48 if len(cells) > 25 else 24
    return {"layout": "wide", "interval_min": 1440 // per_day, "columns": columns}


def _long(
    sample: Sample, times: Times, amount: int, at: pl.Series, notes: list[str]
) -> tuple[dict[str, Any], int]:
    """The keys of a file of one read a line, and its column of meters."""
    taken = {times.at, times.time, amount}
    meter = _meter_column(sample, {k for k in taken if k is not None})
    is_register = _is_register(sample, meter, amount, at)
    columns = {"meter_id": sample.header[meter], "at": sample.header[times.at]}
    if times.time is not None:
        columns["time"] = sample.header[times.time]
    columns["reading" if is_register else "volume"] = sample.header[amount]
    quality = _pick(sample, "quality", range(len(sample.header)))
    if quality is not None and quality not in {*taken, meter}:
        columns["quality"] = sample.header[quality]
    proposed: dict[str, Any] = {"layout": "register" if is_register else "interval"}
    if "quality" in columns and (codes := _quality_codes(sample, quality or 0, notes)):
        proposed["quality_codes"] = codes
    if not is_register:
        proposed["interval_min"] = _interval_min(sample, meter, at)
        proposed["stamp"] = _stamp(sample, times, at, proposed["interval_min"], notes)
    return {**proposed, "columns": columns}, meter


def _quality_codes(sample: Sample, quality: int, notes: list[str]) -> dict[str, str]:
    """Codes that need `quality_codes`, where their first letters say what they mean."""
    proposed: dict[str, str] = {}
    counts = sample.counts(quality)
    codes = ", ".join(code for code, _ in counts[:6])
    notes.append(f"quality codes seen: {codes}")
    for code, count in counts[:12]:
        if is_usual_quality(code):
            continue
        word = code.strip().lower()
        guess = next(
            (ours for begin, ours in _CODE_BEGINS.items() if word.startswith(begin)), None
        )
        if guess is not None:
            proposed[code] = guess
            notes.append(
                f"quality code {code!r} ({count:,} reads) is taken for {guess}: check it"
            )
        else:
            notes.append(
                f"CHOOSE: quality code {code!r} ({count:,} reads) is held as questionable; "
                f"quality_codes: {{{code!r}: estimated}} would say what it is"
            )
    return proposed


def _stamp(
    sample: Sample, times: Times, at: pl.Series, interval_min: float, notes: list[str]
) -> str:
    words = plain(sample.header[times.at])
    if "start" in words or "begin" in words:
        return "start"
    if "end" in words:
        return "end"
    is_start = is_stamped_at_start(at, interval_min)
    if is_start is None:
        notes.append("stamps are taken as the interval's end: check that")
        return "end"
    stamp = "start" if is_start else "end"
    notes.append(
        f"stamps are the interval's {stamp}: they run from {_shown(at.min())} to "
        f"{_shown(at.max())}"
    )
    return stamp


def _clock(sample: Sample, times: Times, at: pl.Series, interval_min: float) -> str | None:
    if knows_utc(sample, times):
        return "the stamps say their own offset"
    changed = us_clock_change(at, interval_min)
    if changed is None:
        return None
    return f"the clock of the reads skips 02:00 on {changed}, as US daylight time does"


def _pick(sample: Sample, ours: str, allowed: Sequence[int]) -> int | None:
    """The column with a usual name for `ours`; for a time, else the first time column."""
    names = [plain(h) for h in sample.header]
    for usual in usual_names(ours):
        if usual in names and (names.index(usual) in allowed):
            return names.index(usual)
    return allowed[0] if allowed and ours in ("at", "date") else None


def _meter_column(sample: Sample, taken: set[int]) -> int:
    names = [plain(h) for h in sample.header]
    for usual in usual_names("meter_id"):
        if usual in names and names.index(usual) not in taken:
            return names.index(usual)
    rest = [k for k in range(len(names)) if k not in taken and sample.values(k).len()]
    if not rest:
        raise ConfigError("no column looks like a meter's name")
    return max(rest, key=lambda k: sample.values(k).len())


def _pick_amount(sample: Sample, taken: set[int | None]) -> int | None:
    names = [plain(h) for h in sample.header]
    numeric = [k for k in range(len(names)) if k not in taken and _is_numeric(sample, k)]
    for ours in ("volume", "reading"):
        for usual in usual_names(ours):
            hits = [k for k in numeric if names[k] == usual or names[k].startswith(f"{usual}_")]
            if hits:
                return hits[0]
    unlike = [k for k in numeric if names[k] not in usual_names("meter_id")]
    return unlike[-1] if unlike else None


def _number(text: str) -> float | None:
    if _POINTS_GROUP.match(text):
        text = text.replace(".", "")
    cleaned = re.sub(r"(?<=\d)[ ,'](?=\d{3}(\D|$))", "", text).replace(",", ".")
    try:
        return float(cleaned)
    except ValueError:
        return None


def _is_numeric(sample: Sample, k: int) -> bool:
    values = sample.some(k)
    if not values:
        return False
    return sum(_number(v) is not None for v in values) >= _MOSTLY * len(values)


def _is_register(sample: Sample, meter: int, amount: int, at: pl.Series) -> bool:
    """Whether the amounts of each meter never fall and are seldom small: a register's way."""
    name = plain(sample.header[amount])
    if any(name.startswith(u) for u in ("volume", "consumption", "usage", "interval")):
        return False
    values = sample.values(amount).to_list()
    numbers = {v: _number(v) for v in values}
    steps = (
        pl.DataFrame({"meter": sample.column(meter), "at": at})
        .with_columns(
            sample.column(amount)
            .replace_strict(numbers, default=None, return_dtype=pl.Float64)
            .alias("amount")
        )
        .drop_nulls()
        .sort("meter", "at", maintain_order=True)
        .select(pl.col("amount").diff().over("meter").alias("step"))["step"]
        .drop_nulls()
    )
    is_named = name in ("reading", "read", "register", "index", "odometer") or "read" in name
    if steps.is_empty():
        return is_named
    is_rising = (steps >= 0).sum() >= _RISING_SHARE * steps.len()
    return is_rising and (is_named or bool((steps > 0).any()))


def _interval_min(sample: Sample, meter: int, at: pl.Series) -> float:
    steps = (
        pl.DataFrame({"meter": sample.column(meter), "at": at})
        .drop_nulls()
        .unique()
        .sort("meter", "at")
        .select(pl.col("at").diff().over("meter").dt.total_seconds().alias("step"))["step"]
        .drop_nulls()
        .value_counts(sort=True)
    )
    return float(steps["step"][0]) / 60 if steps.height else 60.0


def _unit(
    sample: Sample, numbers: Sequence[int], columns: dict[str, str], notes: list[str]
) -> dict[str, Any]:
    words = plain(sample.header[numbers[0]].replace("³", "3")).split("_")
    unit = next((_UNITS[w] for w in words if w in _UNITS), None)
    own = _unit_column(sample)
    if own is not None:
        columns["unit"] = sample.header[own]
        counts = sample.counts(own)
        said = ", ".join(f"{u} ({count:,})" for u, count in counts[:6])
        notes.append(f"each row says its unit, in {sample.header[own]}: {said}")
        for word, count in counts:
            if unit_of_word(word) is None:
                notes.append(f"unit {word!r} is not known: its {count:,} rows will be refused")
        unit = next((u for w, _ in counts if (u := unit_of_word(w))), unit)
    elif unit is None:
        notes.append("CHOOSE: the file does not say its unit: gal is a guess, check it")
    return {"unit": unit or "gal"}


def _unit_column(sample: Sample) -> int | None:
    """The column of units, by its name or by what it says."""
    own = _pick(sample, "unit", range(len(sample.header)))
    if own is not None:
        return own
    for k in range(len(sample.header)):
        words = sample.values(k)
        if 0 < words.len() <= 8 and all(unit_of_word(w) for w in words.to_list()):
            return k
    return None


def _decimal(sample: Sample, numbers: Sequence[int]) -> dict[str, Any]:
    values = [v for k in numbers[:3] for v in sample.values(k).to_list()]
    if any(_POINTS_GROUP.match(v) for v in values):
        return {"decimal": ",", "thousands": "."}
    grouped = sum(bool(re.match(r"^-?\d{1,3}(,\d{3})+(\.\d+)?$", v)) for v in values)
    commas = sum("," in v for v in values)
    if not commas:
        return {}
    return {"thousands": ","} if grouped == commas else {"decimal": ","}


def span(reads: pl.DataFrame) -> str:
    """Rows, meters and times of what was read, in words."""
    if reads.is_empty():
        return ""
    meters = reads["meter_id"].n_unique()
    first, last = _shown(reads["at"].min()), _shown(reads["at"].max())
    return f"{reads.height:,} reads of {meters:,} meters, {first} to {last}"


def _shown(at: object) -> str:
    return at.strftime("%Y-%m-%d %H:%M") if isinstance(at, datetime) else "no time"
