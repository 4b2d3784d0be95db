"""Inspect an unknown export file and suggest how to read it."""

from __future__ import annotations

import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import yaml

from pipelines.commands.look.sample import Sample, parquet_sample, text_sample
from pipelines.sources.columns import plain, usual_names
from pipelines.sources.parquet_file import is_parquet
from pipelines.sources.wide import is_cell
from pipelines.store.delimited import sample_lines
from pipelines.store.file_stamp import is_plain_file
from rightsize.errors import ConfigError

_FORMATS: Final = (
    "%m/%d/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %I:%M %p", "%m/%d/%Y %I:%M:%S %p",
    "%d/%m/%Y %H:%M", "%d/%m/%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M:%S",
    "%d-%b-%Y %H:%M", "%d-%b-%Y %H:%M:%S", "%Y%m%d%H%M", "%Y%m%d%H%M%S", "%Y%m%d %H:%M",
    "%m/%d/%y %H:%M", "%m/%d/%Y", "%d/%m/%Y", "%d.%m.%Y", "%Y%m%d",
)  # fmt: skip
_ISO: Final = re.compile(
    r"^\d{4}[-/]\d{1,2}[-/]\d{1,2}([ T]\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?"
    r"\s*(Z|UTC|[+-]\d{2}:?(\d{2})?)?)?$"
)
_EPOCH: Final = re.compile(r"^\d{9,10}(\.0*)?$|^\d{12,13}$")
_UNITS: Final = {
    "kgal": "kgal", "ccf": "ccf", "hcf": "ccf", "cf": "ft3", "ft3": "ft3", "cuft": "ft3",
    "m3": "m3", "liters": "L", "litres": "L", "l": "L", "gal": "gal", "gallons": "gal",
}  # fmt: skip
_SAMPLE_LINES: Final = 2000
_POINTS_GROUP: Final = re.compile(r"^-?\d{1,3}(\.\d{3})+,\d+$")  # 1.234,5
_CLOCK: Final = re.compile(r"^\d{1,2}:\d{2}(:\d{2})?( ?[AaPp][Mm])?$")


@dataclass(frozen=True)
class Proposal:
    """A suggested configuration, with notes on what to check."""

    export: dict[str, Any]
    notes: tuple[str, ...]

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
        return _proposal(path)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None


def _proposal(path: Path) -> Proposal:
    if not is_plain_file(path):
        raise ConfigError(f"{path}: not a regular file")
    base: dict[str, Any] = {"name": path.name.split(".")[0], "path": str(path)}
    if is_parquet(path):
        return _of_table(base, parquet_sample(path, _SAMPLE_LINES), [])
    head = sample_lines(path, 5)
    if any(line.lstrip("\ufeff \t").startswith("<") for line in head[:1]):
        told = ("meter_id is the usage point id; for its title: columns: {meter_id: title}",)
        return Proposal({**base, "layout": "espi"}, told)
    written, sample = text_sample(path, _SAMPLE_LINES)
    more = {} if written.delimiter == "," else {"delimiter": written.delimiter}
    if written.encoding.lower() != "utf-8":
        more["encoding"] = written.encoding
    notes = (
        [] if not more.get("encoding") else [f"not UTF-8; assumed encoding: {written.encoding}"]
    )
    return _of_table({**base, **more}, sample, notes)


def _of_table(base: dict[str, Any], sample: Sample, notes: list[str]) -> Proposal:
    cells = [k for k, name in enumerate(sample.header) if is_cell(name)]
    is_wide = len(cells) >= 23
    times = {
        k: f for k in range(len(sample.header)) if (f := _time_format(sample, k)) is not None
    }
    at = _pick(sample, "date" if is_wide else "at", list(times))
    if at is None:
        raise ConfigError(
            f"{base['path']}: no time column found; the file has: {', '.join(sample.header)}"
        )
    formats = times.get(at, [])
    export = dict(base)
    if is_wide:
        export |= _wide(sample, cells, at)
        numbers = cells
    else:
        amount = _pick_amount(sample, at)
        if amount is None:
            raise ConfigError(
                f"{base['path']}: no volume or reading column found; the file has: "
                f"{', '.join(sample.header)}"
            )
        export |= _long(sample, at, amount, formats, notes)
        numbers = [amount]
        _note_time_apart(sample, at, notes)
    export |= _unit(sample, numbers, notes) | _decimal(sample, numbers)
    if formats and formats[0]:
        export["time_format"] = formats[0]
        if len(formats) > 1:
            notes.append(f"the time format could also be {formats[1]}; check which is correct")
    return Proposal(export, tuple(notes))


def _wide(sample: Sample, cells: Sequence[int], at: int) -> dict[str, Any]:
    columns = {"meter_id": _meter_column(sample, {*cells, at}), "date": sample.header[at]}
    per_day = 96 if len(cells) > 48 else 48 if len(cells) > 25 else 24
    return {"layout": "wide", "interval_min": 1440 // per_day, "columns": columns}


def _long(
    sample: Sample, at: int, amount: int, formats: list[str], notes: list[str]
) -> dict[str, Any]:
    meter = _meter_column(sample, {at, amount})
    meter_at = sample.header.index(meter)
    quality = _pick(sample, "quality", [k for k in range(len(sample.header)) if k != amount])
    is_register = _is_register(sample, meter_at, amount)
    columns = {"meter_id": meter, "at": sample.header[at]}
    columns["reading" if is_register else "volume"] = sample.header[amount]
    if quality is not None and quality not in (at, meter_at):
        columns["quality"] = sample.header[quality]
        codes = ", ".join(c for c, _ in Counter(sample.column(quality)).most_common(6))
        notes.append(f"quality codes found: {codes}")
    proposed: dict[str, Any] = {"layout": "register" if is_register else "interval"}
    if not is_register:
        proposed["interval_min"] = _interval_min(sample, meter_at, at, formats)
        is_start = "start" in plain(sample.header[at]) or "begin" in plain(sample.header[at])
        proposed["stamp"] = "start" if is_start else "end"
        notes.append(f"timestamps are assumed at the interval {proposed['stamp']}; check this")
    return {**proposed, "columns": columns}


def _pick(sample: Sample, ours: str, allowed: Sequence[int]) -> int | None:
    """The column with a usual name for `ours`; for a time, else the first time column."""
    names = [plain(h) for h in sample.header]
    for usual in usual_names(ours):
        if usual in names and (names.index(usual) in allowed):
            return names.index(usual)
    return allowed[0] if allowed and ours in ("at", "date") else None


def _meter_column(sample: Sample, taken: set[int]) -> str:
    names = [plain(h) for h in sample.header]
    for usual in usual_names("meter_id"):
        if usual in names and names.index(usual) not in taken:
            return sample.header[names.index(usual)]
    rest = [k for k in range(len(names)) if k not in taken and sample.column(k)]
    if not rest:
        raise ConfigError("no meter ID column found")
    return sample.header[max(rest, key=lambda k: len(set(sample.column(k))))]


def _pick_amount(sample: Sample, at: int) -> int | None:
    names = [plain(h) for h in sample.header]
    numeric = [k for k in range(len(names)) if k != at and _is_numeric(sample.column(k))]
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


def _is_numeric(values: Sequence[str]) -> bool:
    if not values:
        return False
    return sum(_number(v) is not None for v in values) >= 0.8 * len(values)


def _time_format(sample: Sample, k: int) -> list[str] | None:
    """Formats that fit a column's values, `""` where none is needed; None if none fits."""
    values = sample.column(k)[:200]
    if not values:
        return None
    fitting = sum(bool(_ISO.match(v)) for v in values)
    if fitting >= 0.8 * len(values):
        return [""]
    if all(_EPOCH.match(v) for v in values) and "id" not in plain(sample.header[k]):
        return [""] if 5e8 < float(values[0][:10]) < 4e9 else None
    formats = [f for f in _FORMATS if sum(_fits(v, f) for v in values) >= 0.8 * len(values)]
    return formats or None


def _fits(text: str, time_format: str) -> bool:
    return _parsed(text, time_format) is not None


def _parsed(text: str, time_format: str) -> datetime | None:
    try:
        if time_format:
            return datetime.strptime(text, time_format)  # noqa: DTZ007 - only differences count
        if _EPOCH.match(text):
            return datetime.utcfromtimestamp(float(text[:10]))  # noqa: DTZ004
        return datetime.fromisoformat(text.replace("/", "-")).replace(tzinfo=None)
    except ValueError:
        return None


def _is_register(sample: Sample, meter: int, amount: int) -> bool:
    """Whether the amounts of each meter never fall and are seldom small, as in a register."""
    name = plain(sample.header[amount])
    if any(name.startswith(u) for u in ("volume", "consumption", "usage", "interval")):
        return False
    series: dict[str, list[float]] = defaultdict(list)
    for row in sample.rows:
        if max(meter, amount) < len(row) and (number := _number(row[amount])) is not None:
            series[row[meter]].append(number)
    steps = [b - a for s in series.values() for a, b in itertools.pairwise(s)]
    rising = sum(step >= 0 for step in steps) >= 0.98 * len(steps) if steps else False
    is_named = name in ("reading", "read", "register", "index", "odometer") or "read" in name
    return rising and (is_named or any(step > 0 for step in steps))


def _interval_min(sample: Sample, meter: int, at: int, formats: list[str]) -> float:
    stamps: dict[str, list[datetime]] = defaultdict(list)
    for row in sample.rows:
        if max(meter, at) < len(row):
            stamp = _parsed(row[at].strip(), formats[0] if formats else "")
            if stamp is not None:
                stamps[row[meter]].append(stamp)
    steps = Counter(
        (b - a).total_seconds() / 60
        for s in stamps.values()
        for a, b in itertools.pairwise(sorted(set(s)))
    )
    return float(steps.most_common(1)[0][0]) if steps else 60.0


def _note_time_apart(sample: Sample, at: int, notes: list[str]) -> None:
    clocks = [
        name
        for k, name in enumerate(sample.header)
        if k != at and (values := sample.column(k)) and all(map(_CLOCK.match, values))
    ]
    if clocks:
        notes.append(
            f"time of day is in a separate column, {clocks[0]}, so only dates would be read; "
            "export date and time as one column, or join them"
        )


def _unit(sample: Sample, numbers: Sequence[int], notes: list[str]) -> dict[str, Any]:
    words = plain(sample.header[numbers[0]].replace("³", "3")).split("_")
    unit = next((_UNITS[w] for w in words if w in _UNITS), None)
    own = _pick(sample, "unit", range(len(sample.header)))
    if own is not None:
        said = ", ".join(u for u, _ in Counter(sample.column(own)).most_common(4))
        notes.append(f"each row has its own unit, in column {sample.header[own]}: {said}")
    elif unit is None:
        notes.append("the file does not state a unit; gal is assumed; check this")
    return {"unit": unit or "gal"}


def _decimal(sample: Sample, numbers: Sequence[int]) -> dict[str, Any]:
    values = [v for k in numbers[:3] for v in sample.column(k)]
    if any(_POINTS_GROUP.match(v) for v in values):
        return {"decimal": ",", "thousands": "."}
    grouped = sum(bool(re.match(r"^\d{1,3}(,\d{3})+(\.\d+)?$", v)) for v in values)
    commas = sum("," in v for v in values)
    if not commas:
        return {}
    return {"thousands": ","} if grouped == commas else {"decimal": ","}
