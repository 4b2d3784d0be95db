"""Layout espi: NAESB REQ.21 ESPI XML, read as a stream, safe from entity bombs.

References
----------
NAESB REQ.21 ESPI, public schema espi.xsd version 3.3 (2025-06-09): enumerations ServiceKind,
UomKind, UnitMultiplierKind, AccumulationKind, QualityOfReading, FlowDirectionKind. The
enumerations are unions with UInt16: an unknown code is legal, and rejects at most the
readings that use it.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final
from xml.etree.ElementTree import Element, ParseError

import duckdb
import pyarrow as pa
from defusedxml import DefusedXmlException
from defusedxml.ElementTree import iterparse

from pipelines.sources.staged import FileTask, Kind, Staged, declare, no_unreadable_lines
from pipelines.store.warehouse import run_sql
from rightsize.errors import ConfigError
from rightsize.units import L_PER_GAL

WATER: Final = 2
_IMPERIAL_GAL: Final = 4.54609  # L, definition (from memory, high trust)
UOM: Final[dict[int, tuple[str, float]]] = {  # code -> our unit, how many of it
    42: ("m3", 1.0), 119: ("ft3", 1.0), 120: ("ft3", 1.0), 128: ("gal", 1.0),
    130: ("gal", _IMPERIAL_GAL / L_PER_GAL), 134: ("L", 1.0), 156: ("L", 1.0),
    157: ("L", 1.0), 166: ("m3", 1.0), 167: ("m3", 1.0),
}  # fmt: skip
QUALITY: Final[dict[int, str]] = {
    0: "measured", 7: "edited", 8: "estimated", 9: "estimated", 10: "questionable",
    11: "edited", 12: "estimated", 13: "questionable", 14: "measured", 15: "questionable",
    16: "questionable", 17: "measured", 18: "measured", 19: "measured",
}  # fmt: skip
_WORST_FIRST: Final = ("questionable", "estimated", "edited", "measured")
_DIAL: Final = (1, 2, 3, 9)  # readings of a register: volumes by difference
_DELTA: Final = (0, 4)  # volumes of intervals; 0 and absent mean not stated
_REVERSE: Final = 19
_BATCH: Final = 50_000
_MOST_INTEGER: Final = 10**12  # times the readings of a block it fits into 64 bits
_MOST_POWER: Final = 15  # UnitMultiplierKind goes from -12 to 9

_READING: Final = pa.schema(
    [
        ("record", pa.int64()), ("meter_reading", pa.string()), ("usage_point", pa.string()),
        ("start_s", pa.int64()), ("duration_s", pa.int64()), ("place", pa.int64()),
        ("block_start_s", pa.int64()), ("block_duration_s", pa.int64()),
        ("block_count", pa.int64()), ("value", pa.string()), ("quality", pa.string()),
    ]
)  # fmt: skip
_TYPE: Final = pa.schema(
    [
        ("meter_reading", pa.string()), ("is_dial", pa.bool_()), ("unit", pa.string()),
        ("factor", pa.float64()), ("length_s", pa.int64()), ("refused_as", pa.string()),
    ]
)  # fmt: skip
_POINT: Final = pa.schema(
    [("usage_point", pa.string()), ("title", pa.string()), ("service", pa.int64())]
)


@dataclass
class _Feed:
    """What a feed states besides the readings."""

    points: dict[str, tuple[str | None, int | None]] = field(default_factory=dict)
    types: dict[str, dict[str, int]] = field(default_factory=dict)
    type_of: dict[str, str] = field(default_factory=dict)
    records: int = 0
    broken: str | None = None


def stage_espi(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    """Stage and judge an ESPI file; a reading's line is its number among the readings.

    Dial readings (accumulation behavior bulk quantity, cumulative, summation) go to the
    register lake, interval volumes to the interval lake. A file that has both keeps the
    volumes; its dial readings repeat the same water and are rejected as such.

    Raises
    ------
    ConfigError
        If the file is not ESPI XML, or uses a document type or entities.
    """
    _check_columns(task)
    no_unreadable_lines(connection)
    connection.execute("drop table if exists espi_reading")
    connection.register("espi_batch", pa.Table.from_pylist([], schema=_READING))
    connection.execute("create temp table espi_reading as from espi_batch")
    feed = _Feed()
    for batch in _batches(task, feed):
        connection.register("espi_batch", batch)
        connection.execute("insert into espi_reading from espi_batch")
    connection.register("espi_type", _types(feed))
    connection.register("espi_point", _points(feed))
    if not feed.records and not feed.points:
        raise ConfigError(f"{task.path}: no ESPI usage point or reading found")
    kind = _kind(connection)
    declare(connection, kind=kind, is_stamped_at_end=False, at_column="")
    connection.execute(
        "set variable meter_name = ?", [task.export.columns.get("meter_id", "usage_point")]
    )
    run_sql(connection, "10_land/espi_read")
    connection.execute("create or replace temp view raw_read as from espi_read")
    run_sql(connection, "10_land/typed_read")
    problem = None
    if feed.broken:
        problem = (
            f"{task.path}: XML is truncated or invalid after reading {feed.records:,} "
            f"({feed.broken}); the readings before it were loaded"
        )
    return Staged(kind, problem)


def _check_columns(task: FileTask) -> None:
    allowed = {"meter_id": ("usage_point", "title")}
    for ours, theirs in task.export.columns.items():
        if theirs not in allowed.get(ours, ()):
            raise ConfigError(
                f"export {task.export.name!r}: layout espi allows columns: "
                f"{{meter_id: usage_point}} or {{meter_id: title}}; got {{{ours}: {theirs}}}"
            )


def _kind(connection: duckdb.DuckDBPyConnection) -> Kind:
    row = connection.execute(
        "select count(*) filter (where not is_dial), count(*) filter (where is_dial) "
        "from espi_reading join espi_type using (meter_reading)"
    ).fetchone()
    volumes, dials = row or (0, 0)
    return "register" if dials and not volumes else "interval"


def _batches(task: FileTask, feed: _Feed) -> Iterator[pa.Table]:
    rows: list[dict[str, Any]] = []
    for block in _blocks(task, feed):
        rows.extend(block)
        if len(rows) >= _BATCH:
            yield pa.Table.from_pylist(rows, schema=_READING)
            rows = []
    yield pa.Table.from_pylist(rows, schema=_READING)


def _blocks(task: FileTask, feed: _Feed) -> Iterator[list[dict[str, Any]]]:
    """The readings of one interval block at a time; the rest of an entry goes to `feed`."""
    try:
        with task.text.open("rb") as handle:
            root: Element | None = None
            for event, element in iterparse(handle, events=("start", "end"), forbid_dtd=True):
                if event == "start":
                    root = element if root is None else root
                elif _name(element) == "entry":
                    yield from _entry(element, feed)
                    element.clear()
                    if root is not None:
                        root.clear()
    except DefusedXmlException as error:
        raise ConfigError(
            f"{task.path}: has a DOCTYPE or entities, which are not allowed: "
            f"{type(error).__name__}"
        ) from None
    except (LookupError, ValueError, ParseError) as error:  # an encoding that is not known, too
        if not feed.records:
            raise ConfigError(f"{task.path}: invalid XML: {error}") from None
        feed.broken = str(error)


def _entry(entry: Element, feed: _Feed) -> Iterator[list[dict[str, Any]]]:
    links: dict[str, list[str]] = {"self": [], "up": [], "related": []}
    content: list[Element] = []
    title = None
    for child in entry:
        name = _name(child)
        if name == "link":
            links.setdefault(child.get("rel", ""), []).append(child.get("href", ""))
        elif name == "title":
            title = (child.text or "").strip() or None
        elif name == "content":
            content.extend(child)
    own = (links["self"] or [""])[0]
    for resource in content:
        kind = _name(resource)
        if kind == "UsagePoint":
            feed.points[_part(own, "UsagePoint") or own] = (
                title,
                _integer(_find(resource, "ServiceCategory", "kind")),
            )
        elif kind == "MeterReading":
            for href in links["related"]:
                if _part(href, "ReadingType"):
                    feed.type_of[_reading_key(own)] = _part(href, "ReadingType") or ""
        elif kind == "ReadingType":
            feed.types[_part(own, "ReadingType") or own] = _numbers(resource)
        elif kind == "IntervalBlock":
            yield _readings(resource, (links["up"] or [own])[0] or own, own, feed)


def _readings(block: Element, up: str, own: str, feed: _Feed) -> list[dict[str, Any]]:
    where = own if _part(own, "MeterReading") else up
    readings = [r for r in block if _name(r) == "IntervalReading"]
    start = _integer(_find(block, "interval", "start"))
    duration = _integer(_find(block, "interval", "duration"))
    rows = []
    for place, reading in enumerate(readings):
        feed.records += 1
        rows.append(
            {
                "record": feed.records,
                "meter_reading": _reading_key(where),
                "usage_point": _part(where, "UsagePoint"),
                "start_s": _integer(_find(reading, "timePeriod", "start")),
                "duration_s": _integer(_find(reading, "timePeriod", "duration")),
                "place": place,
                "block_start_s": start,
                "block_duration_s": duration,
                "block_count": len(readings),
                "value": (_find(reading, "value") or "").strip(),
                "quality": _quality(reading),
            }
        )
    return rows


def _quality(reading: Element) -> str:
    codes = [_integer(_find(q, "quality")) for q in reading if _name(q) == "ReadingQuality"]
    words = [QUALITY.get(c, "questionable") if c is not None else "questionable" for c in codes]
    return next((w for w in _WORST_FIRST if w in words), "measured")


def _types(feed: _Feed) -> pa.Table:
    rows = []
    for meter_reading, type_id in feed.type_of.items():
        kind = feed.types.get(type_id, {})
        unit, factor = UOM.get(kind.get("uom", -1), (None, 1.0))
        power = kind.get("powerOfTenMultiplier", 0)
        if abs(power) > _MOST_POWER:
            unit, power = None, 0
        behaviour = kind.get("accumulationBehaviour", 4)
        rows.append(
            {
                "meter_reading": meter_reading,
                "is_dial": behaviour in _DIAL,
                "unit": unit or f"uom {kind.get('uom') if kind else 'not given'}",
                "factor": factor * 10.0**power,
                "length_s": kind.get("intervalLength"),
                "refused_as": _refused_as(behaviour, kind.get("flowDirection")),
            }
        )
    return pa.Table.from_pylist(rows, schema=_TYPE)


def _refused_as(behaviour: int, direction: int | None) -> str | None:
    if direction == _REVERSE:
        return "flow_reverse"
    return None if behaviour in (*_DIAL, *_DELTA) else "not_a_volume"


def _points(feed: _Feed) -> pa.Table:
    rows = [
        {"usage_point": key, "title": title, "service": service}
        for key, (title, service) in feed.points.items()
    ]
    return pa.Table.from_pylist(rows, schema=_POINT)


def _numbers(resource: Element) -> dict[str, int]:
    found = {}
    for child in resource:
        number = _integer(child.text)
        if number is not None:
            found[_name(child)] = number
    return found


def _reading_key(href: str) -> str:
    return f"{_part(href, 'UsagePoint') or ''}/{_part(href, 'MeterReading') or ''}"


def _part(href: str, resource: str) -> str | None:
    """The id behind a resource's name in a link, e.g. `.../UsagePoint/7/MeterReading/1`."""
    pieces = href.strip().rstrip("/").split("/")
    for name, value in itertools.pairwise(pieces):
        if name == resource:
            return value
    return None


def _name(element: Element) -> str:
    return element.tag.rsplit("}", 1)[-1] if isinstance(element.tag, str) else ""


def _find(element: Element, *path: str) -> str | None:
    for name in path:
        hit = next((child for child in element if _name(child) == name), None)
        if hit is None:
            return None
        element = hit
    return element.text


def _integer(text: str | None) -> int | None:
    """A whole number; one beyond all that the schema means as the greatest that is held."""
    try:
        number = int((text or "").strip())
    except ValueError:
        return None
    return max(-_MOST_INTEGER, min(number, _MOST_INTEGER))
