"""Hostile export files, each with what must come of it.

`keeps` is how many reads land, `refused` the (line, rule) of each row that does not, `problem`
a piece of what is said of a file that is not landed, or not whole. Every file stands in a
folder beside a good one, and the good one must land whatever else happens.
"""

from __future__ import annotations

import gzip
import io
import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import zstandard

from tests.pipelines.sources.espi_feed import (
    Reading,
    block,
    feed,
    meter_reading,
    reading_type,
    usage_point,
)

HEAD = "meter_id,interval_end,volume,quality\n"
GOOD = ["M1,2025-06-01 01:00,1,A", "M1,2025-06-01 02:00,2,A"]
DAYS = "".join(
    f"M1,2025-06-{day:02d} {hour:02d}:00,{(day * 37 + hour * 11) % 97}.{hour},A\n"
    for day in range(1, 29)
    for hour in range(24)
)


@dataclass(frozen=True)
class Case:
    """One hostile file."""

    name: str
    content: bytes
    keeps: int = 0
    refused: Sequence[tuple[int, str]] = ()
    problem: str | None = None
    refused_count: int | None = None  # where the lines are too many to list
    export: dict[str, Any] = field(default_factory=dict)

    @property
    def rows_refused(self) -> int:
        """How many rows must be refused."""
        return len(self.refused) if self.refused_count is None else self.refused_count


def lines(*more: str, head: str = HEAD, end: str = "\n") -> bytes:
    return (head + end.join([*GOOD, *more]) + end).encode()


def one(name: str, line: str, rule: str) -> Case:
    """A good file with one bad line, the fourth."""
    return Case(f"{name}.csv", lines(line, GOOD[1].replace("02:00", "03:00")), 3, [(4, rule)])


def good(name: str, content: bytes, keeps: int = 2, **more: Any) -> Case:
    return Case(name, content, keeps, **more)


def bad(name: str, content: bytes, problem: str, **more: Any) -> Case:
    return Case(name, content, problem=problem, **more)


def _with_flipped_bytes(packed: bytes) -> bytes:
    middle = len(packed) // 2
    return (
        packed[:middle]
        + bytes(b ^ 0xFF for b in packed[middle : middle + 64])
        + packed[middle + 64 :]
    )


def _parquet(**columns: list[object]) -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


_PACKED = gzip.compress((HEAD + DAYS).encode(), mtime=0)
_JUNK = random.Random(7).randbytes(4000)
_LOOSE = "".join(f"M1,2025-06-01 01:00,{random.Random(k).random()},A\n" for k in range(60_000))
_ZSTD = zstandard.ZstdCompressor().compress((HEAD + _LOOSE).encode())
_WHOLE_DAYS = 28 * 24

TIMES = [
    one("epoch-zero", "M1,1970-01-01 00:00,1,A", "time_implausible"),
    one("epoch-number-zero", "M1,0,1,A", "time_implausible"),
    one("year-2106", "M1,2106-02-07 06:28,1,A", "time_implausible"),
    one("hour-25", "M1,2025-06-01 25:00,1,A", "time_unreadable"),
    one("minute-61", "M1,2025-06-01 01:61,1,A", "time_unreadable"),
    one("february-30", "M1,2025-02-30 01:00,1,A", "time_unreadable"),
    one("month-day-turned", "M1,06/01/2025 01:00,1,A", "time_unreadable"),
    one("year-zero", "M1,0000-00-00 00:00,1,A", "time_unreadable"),
    one("infinity-time", "M1,infinity,1,A", "time_implausible"),
    one("skipped-hour", "M1,2025-03-09 02:30,1,A", "time_nonexistent"),
    one("no-time", "M1,,1,A", "time_missing"),
    one("time-is-blank", "M1,   ,1,A", "time_missing"),
    one("words-for-time", "M1,yesterday noon,1,A", "time_unreadable"),
    good("offset-among-local.csv", lines("M1,2025-06-01T03:00:00-06:00,3,A"), 3),
    good("hour-24.csv", lines("M1,2025-06-01 24:00,3,A"), 3),
]
NUMBERS = [
    one("too-great-for-a-number", "M1,2025-06-01 03:00,1e309,A", "volume_not_finite"),
    one("not-a-number", "M1,2025-06-01 03:00,nan,A", "volume_not_finite"),
    one("infinite", "M1,2025-06-01 03:00,-inf,A", "volume_not_finite"),
    one("negative", "M1,2025-06-01 03:00,-5,A", "volume_negative"),
    one("words-for-volume", "M1,2025-06-01 03:00,OFFLINE,A", "volume_unreadable"),
    one("unit-in-volume", "M1,2025-06-01 03:00,12 gal,A", "volume_unreadable"),
    one("decimal-comma", 'M1,2025-06-01 03:00,"1,5",A', "volume_unreadable"),
    one("thousands", 'M1,2025-06-01 03:00,"1,234",A', "volume_unreadable"),
    one("hexadecimal", "M1,2025-06-01 03:00,0x1F,A", "volume_unreadable"),
    one("fullwidth-digits", "M1,2025-06-01 03:00,\uff11\uff12,A", "volume_unreadable"),
    one("more-than-any-meter", "M1,2025-06-01 03:00,1e9,A", "volume_implausible"),
    one("no-meter", ",2025-06-01 03:00,1,A", "meter_missing"),
    one("blank-meter", "   ,2025-06-01 03:00,1,A", "meter_missing"),
    good("blank-volume.csv", lines("M1,2025-06-01 03:00,,A"), 3),
    good("tiny.csv", lines("M1,2025-06-01 03:00,1e-320,A"), 3),
    good("minus-zero.csv", lines("M1,2025-06-01 03:00,-0.0,A"), 3),
    good("strange-quality.csv", lines("M1,2025-06-01 03:00,1,\u2603"), 3),
]
WIDER = "meter_id,interval_end,volume,quality,peak_gpm,interval_min\n"


def wider(name: str, cells: str, rule: str) -> Case:
    """As `one`, of a file with peaks and lengths."""
    good_lines = [f"M1,2025-06-01 0{h}:00,1,A,0.5,60" for h in (1, 2)]
    bad_line = f"M1,2025-06-01 03:00,1,A,{cells}"
    text = WIDER + "\n".join([*good_lines, bad_line, ""])
    return Case(f"{name}.csv", text.encode(), 2, [(4, rule)])


CELLS = [
    wider("peak-beyond-float", "1e39,60", "peak_implausible"),
    wider("peak-beyond-meters", "40000,60", "peak_implausible"),
    wider("peak-below-zero", "-1,60", "peak_implausible"),
    wider("peak-infinite", "inf,60", "peak_implausible"),
    wider("length-beyond-float", "0.5,1e39", "interval_unreadable"),
    wider("length-beyond-time", "0.5,1e30", "interval_unreadable"),
    wider("length-not-a-number", "0.5,nan", "interval_unreadable"),
    wider("length-below-zero", "0.5,-60", "interval_unreadable"),
]
STRUCTURE = [
    one("too-few-columns", "M1,2025-06-01 03:00", "line_unreadable"),
    one("too-many-columns", "M1,2025-06-01 03:00,1,A,B,C", "line_unreadable"),
    one("quote-never-closed", 'M1,"2025-06-01 03:00,1,A', "line_unreadable"),
    one("quote-inside", 'M1,"2025-06-01" 03:00,1,A', "line_unreadable"),
    one("header-again", HEAD.strip(), "repeated_header"),
    one("footer", "Total rows: 3", "line_unreadable"),
    one("comment", "# exported by hand", "line_unreadable"),
    one("only-delimiters", ",,,", "meter_missing"),
    one("nul-in-the-name", "M\x001,2025-06-01 03:00,1,A", "line_nul_bytes"),
    one("nul-in-the-time", "M1,2025-06-01\x00 03:00,1,A", "line_nul_bytes"),
    one("line-of-two-megabytes", "M1,2025-06-01 03:00,1," + "x" * (2 << 20), "line_too_long"),
    Case("nul-block-at-the-end.csv", lines() + bytes(4096), 2, [(4, "line_nul_bytes")]),
    Case(
        "value-over-two-lines.csv",
        lines('M1,"2025-06-01', '03:00",1,A'),
        2,
        [(4, "line_unreadable"), (5, "line_unreadable")],
    ),
    Case(
        "latin-1-byte.csv", lines() + b"M\xe9,2025-06-01 03:00,1,A\n", 2, [(4, "line_encoding")]
    ),
    Case(
        "half-the-lines-bad.csv",
        (HEAD + DAYS.replace("\n", "\nM1,never,1,A\n") * 4).encode(),
        _WHOLE_DAYS * 4,
        refused_count=_WHOLE_DAYS * 4,
    ),
    Case(
        "one-bad-line-of-many.csv",
        (HEAD + DAYS * 60 + "M1,2025-06-01 25:00,1,A\n" + DAYS * 60).encode(),
        _WHOLE_DAYS * 120,
        [(_WHOLE_DAYS * 60 + 2, "time_unreadable")],
    ),
    Case(
        "bad-line-after-blanks.csv",
        (HEAD + "\n\n" + GOOD[0] + "\n\nM1,x,1,A\n").encode(),
        1,
        [(6, "time_unreadable")],
    ),
    good("carriage-returns.csv", lines(head=HEAD.replace("\n", "\r"), end="\r")),
    good("windows-line-ends.csv", lines(head=HEAD.replace("\n", "\r\n"), end="\r\n")),
    good(
        "mixed-line-ends.csv",
        f"{HEAD}{GOOD[0]}\r\n{GOOD[1]}\nM1,2025-06-01 03:00,3,A\r".encode(),
        3,
    ),
    good("no-line-end.csv", lines()[:-1]),
    good("blank-line-first.csv", b"\n\n" + lines()),
    good(
        "every-value-quoted.csv",
        b'"meter_id","interval_end","volume"\n"M1","2025-06-01 01:00","1"\n',
        1,
    ),
    good("trailing-delimiters.csv", lines().replace(b"\n", b",\n")),
    good(
        "columns-of-no-use-twice.csv",
        b"x,meter_id,x,interval_end,volume\n1,M1,2,2025-06-01 01:00,1\n",
        1,
    ),
    good("long-useless-column.csv", lines("M1,2025-06-01 03:00,1," + "A" * 300_000), 3),
    good("header-only.csv", HEAD.encode(), 0),
    bad(
        "volume-twice.csv",
        b"meter_id,interval_end,volume,volume\nM1,2025-06-01 01:00,1,2\n",
        "column 'volume' appears 2 times",
    ),
    bad("no-header.csv", "\n".join(GOOD).encode(), "no column for meter_id"),
    bad("other-columns.csv", b"name,color\nx,red\n", "the file has: name, color"),
    bad("empty.csv", b"", "file is empty; expected a header line"),
    bad("only-line-ends.csv", b"\n\n\r\n", "file is empty; expected a header line"),
    bad("only-nul.csv", bytes(1000), "file is empty; expected a header line"),
    bad("random-bytes.csv", _JUNK, "no column for meter_id"),
    bad("picture.csv", b"\x89PNG\r\n\x1a\n" + _JUNK, "no column for meter_id"),
    bad("json.csv", b'{"meter_id": "M1", "volume": 1}\n', "no column for"),
    bad("xml.csv", b"<?xml version='1.0'?><feed/>\n", "no column for meter_id"),
]
NAMES = [
    good("o'brien; drop table x.csv", lines("M1,2025-06-01 03:00,31,A"), 3),
    good("caf\u00e9 \u6c34.csv", lines("M1,2025-06-01 03:00,32,A"), 3),
    good("name-of-no-kind", lines("M1,2025-06-01 03:00,33,A"), 3),
    good("sql-in-the-meter.csv",
         lines("M1'); drop table ledger.landed_file; --,2025-06-01 03:00,1,A"), 3),
    good("formula-in-the-meter.csv", lines('"=cmd|""/C calc""!A0",2025-06-01 03:00,1,A'), 3),
    good("meter-with-comma.csv", lines('"M,1",2025-06-01 03:00,1,A'), 3),
    good("meter-in-chinese.csv", lines("\u6c34\u8868-7,2025-06-01 03:00,1,A"), 3),
    good("leading-zeros.csv", lines("000123,2025-06-01 03:00,1,A"), 3),
    good("blanks-around.csv", lines(" M2 , 2025-06-01 03:00 , 1 , A "), 3),
]  # fmt: skip
PACKED = [
    Case(
        "cut.csv.gz",
        _PACKED[: len(_PACKED) * 2 // 3],
        problem="compressed file is truncated or damaged after line",
        keeps=-1,
        refused_count=1,
    ),
    Case(
        "corrupt.csv.gz",
        _with_flipped_bytes(gzip.compress((HEAD + _LOOSE).encode(), mtime=0)),
        problem="compressed file is truncated or damaged after line",
        keeps=-1,
        refused_count=-1,
    ),
    Case(
        "cut.csv.zst",
        _ZSTD[: len(_ZSTD) * 2 // 3],
        problem="compressed file is truncated or damaged after line",
        keeps=-1,
        refused_count=-1,
    ),
    bad("cut-at-once.csv.gz", _PACKED[:12], "nothing could be read"),
    good("plain-but-named.csv.gz", lines("M1,2025-06-01 03:00,34,A"), 3),
    good("packed-but-named.csv", gzip.compress(lines(), mtime=0)),
    good(
        "two-members.csv.gz",
        gzip.compress(lines(), mtime=0) + gzip.compress(b"M1,2025-06-01 09:00,1,A\n", mtime=0),
        3,
    ),
    bad("twice.csv.gz", gzip.compress(gzip.compress(lines(), mtime=0), mtime=0), "twice"),
    bad(
        "twice-wide.csv.gz",
        gzip.compress(gzip.compress(lines().decode().encode("utf-32"), mtime=0), mtime=0),
        "twice",
    ),
    good("zstandard.csv.zst", zstandard.ZstdCompressor().compress(lines())),
]
ENCODINGS = [
    good("utf-8-mark.csv", b"\xef\xbb\xbf" + lines()),
    good("utf-16.csv", lines().decode().encode("utf-16")),
    good("utf-32.csv", lines().decode().encode("utf-32")),
    good("utf-16-big.csv", b"\xfe\xff" + lines().decode().encode("utf-16-be")),
    good("semicolons.csv", lines().replace(b",", b";")),
    good("tabs.csv", lines().replace(b",", b"\t")),
    good("pipes.csv", lines().replace(b",", b"|")),
]
TABLES = [
    good("reads.parquet", _parquet(meter_id=["M1"], read_at=[1748739600], volume=[1.0]), 1),
    bad(
        "cut.parquet",
        _parquet(meter_id=["M1"], read_at=[1], volume=[1.0])[:-30],
        "cannot be read",
    ),
    bad("only-magic.parquet", b"PAR1", "cannot be read"),
    bad("other.parquet", _parquet(a=[1], b=[2]), "the file has: a, b"),
]

_START = 1748736000
_FEED = feed(
    usage_point("M1"),
    meter_reading("M1", "T"),
    reading_type("T"),
    block("M1", _START, [Reading(1, _START)]),
    block("M1", _START + 3600, [Reading(2, _START + 3600)]),
)
_LOLS = "".join(
    f'<!ENTITY l{k} "{f"&l{k - 1};" * 10}">' if k else '<!ENTITY l0 "lol">' for k in range(10)
)
ESPI = [
    bad(
        "entity-bomb.xml",
        f"<!DOCTYPE x [{_LOLS}]><feed>&l9;</feed>".encode(),
        "has a DOCTYPE or entities",
    ),
    bad(
        "outer-entity.xml",
        b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]><feed>&e;</feed>',
        "has a DOCTYPE or entities",
    ),
    bad(
        "outer-dtd.xml",
        b'<!DOCTYPE x SYSTEM "http://example.invalid/x.dtd"><feed/>',
        "has a DOCTYPE or entities",
    ),
    bad("no-feed.xml", b"<a><b/></a>", "no ESPI usage point"),
    bad("csv.xml", HEAD.encode(), "invalid XML: "),
    bad("nothing.xml", b"", "invalid XML: "),
    Case(
        "cut.xml",
        _FEED[:-100].encode(),
        1,
        problem="XML is truncated or invalid after reading 1 ",
    ),
    good("whole.xml", _FEED.encode()),
    Case(
        "value-is-text.xml",
        _FEED.replace("<value>2<", "<value>two<").encode(),
        1,
        [(2, "volume_unreadable")],
    ),
    Case(
        "value-too-great.xml",
        _FEED.replace("<value>2<", "<value>1e999<").encode(),
        1,
        [(2, "volume_not_finite")],
    ),
    Case("no-value.xml", _FEED.replace("<value>2</value>", "").encode(), 2),
    Case(
        "unknown-unit.xml",
        _FEED.replace("<uom>128<", "<uom>999<").encode(),
        0,
        [(1, "unit_unknown"), (2, "unit_unknown")],
    ),
    Case(
        "no-reading-type.xml",
        _FEED.replace("ReadingType/T", "ReadingType/U", 1).encode(),
        0,
        [(1, "unit_unknown"), (2, "unit_unknown")],
    ),
    Case(
        "start-is-text.xml",
        _FEED.replace(f"<start>{_START + 3600}<", "<start>noon<").encode(),
        1,
        [(2, "time_missing")],
    ),
    bad(
        "unknown-encoding.xml",
        _FEED.replace("UTF-8", "x-klingon").encode(),
        "invalid XML: ",
    ),
    bad(
        "encoding-of-several-bytes.xml",
        _FEED.replace("UTF-8", "shift_jis").encode(),
        "invalid XML: ",
    ),
    Case(
        "start-beyond-64-bits.xml",
        _FEED.replace(f"<start>{_START + 3600}<", f"<start>{10**30}<").encode(),
        1,
        [(2, "time_implausible")],
    ),
    Case(
        "start-at-64-bits.xml",
        _FEED.replace(f"<start>{_START + 3600}<", f"<start>{2**63 - 1}<").encode(),
        1,
        [(2, "time_implausible")],
    ),
    Case(
        "block-beyond-64-bits.xml",
        _FEED.replace("<interval><duration>3600<", f"<interval><duration>{10**30}<").encode(),
        2,
    ),
    Case(
        "length-beyond-64-bits.xml",
        _FEED.replace(
            "<timePeriod><duration>3600<", f"<timePeriod><duration>{10**30}<", 1
        ).encode(),
        1,
        [(1, "interval_unreadable")],
    ),
    Case(
        "power-beyond-all.xml",
        _FEED.replace("<powerOfTenMultiplier>0<", f"<powerOfTenMultiplier>{10**30}<").encode(),
        0,
        [(1, "unit_unknown"), (2, "unit_unknown")],
    ),
    good("service-beyond-64-bits.xml", _FEED.replace("<kind>58<", f"<kind>{10**30}<").encode()),
]


def _starting(name: str, start: int, rule: str = "time_implausible") -> Case:
    """A feed whose second reading starts at a time that its field holds but no clock shows."""
    text = _FEED.replace(f"<start>{_START + 3600}<", f"<start>{start}<")
    return Case(f"{name}.xml", text.encode(), 1, [(2, rule)])


ESPI += [
    _starting("start-in-9999", 253402300799),
    _starting("start-past-9999", 253402300800),
    _starting("start-in-year-1", -62135596800),
    _starting("start-before-year-1", -62135596801),
    _starting("start-in-microseconds", _START * 10**6),
    _starting("start-negative-64-bits", -(2**63)),
    _starting("start-past-the-database", 9223372036855),
    *(
        bad(f"in-{name}.xml", _FEED.encode(name), "invalid XML: ")
        for name in ("utf-32", "utf-32-le")
    ),
    *(
        bad(f"named-{name}.xml", _FEED.replace("UTF-8", name).encode(), "invalid XML: ")
        for name in ("UTF-7", "UTF-32", "idna", "punycode", "undefined", "base64", "euc-jp",
                     "")
    ),
    good("in-utf-16.xml", _FEED.replace("UTF-8", "UTF-16").encode("utf-16")),
    *(
        Case(f"{name}_{str(value)[:30]}.xml", _FEED.replace(old, f"{tag}{value}<").encode(),
             -1, refused_count=-1)
        for name, old, tag in (
            ("power", "<powerOfTenMultiplier>0<", "<powerOfTenMultiplier>"),
            ("uom", "<uom>128<", "<uom>"),
            ("behaviour", "<accumulationBehaviour>4<", "<accumulationBehaviour>"),
            ("length", "<intervalLength>3600<", "<intervalLength>"),
            ("reading_length", "<timePeriod><duration>3600<", "<timePeriod><duration>"),
            ("block_length", "<interval><duration>3600<", "<interval><duration>"),
            ("block_start", f"<start>{_START}<", "<start>"),
            ("service", "<kind>2<", "<kind>"),
            ("value", "<value>2<", "<value>"),
        )
        for value in (-1, 16, 309, -400, 2**31, 2**63, "9" * 5000, "1e5", "0x10", " ")
    ),
]  # fmt: skip
_HOURS = ",".join(f"h{k}" for k in range(1, 26))


def _wide_day(name: str, day: str, rule: str | None, cells: int = 24) -> Case:
    """A wide file of two good days and one odd one, each of `cells` hours."""
    body = "".join(
        f"M1,{when},{','.join(['1'] * cells)}\n" for when in ("2025-06-02", "2025-06-03", day)
    )
    refused = [] if rule is None else [(4, rule)]
    return Case(f"{name}.csv", f"meter_id,date,{_HOURS}\n{body}".encode(), -1, refused,
                refused_count=-1)  # fmt: skip


_ODD_DAYS = (
    "9999-12-31", "9999-12-30", "10000-01-01", "0001-01-01", "0001-01-02", "0000-01-01",
    "-0001-01-01", "2025-03-09", "2025-11-02", "2025-02-30", "1e9", "infinity", "-infinity",
    "epoch", "today", "294247-01-10", "5881580-07-11", "290309-12-22 (BC)", "", "noon",
    "2025-06-02T99:00", "99999999", "253402300799", "-62135596800", "9223372036854775807",
)  # fmt: skip
WIDE = [
    *(_wide_day(f"day-{n:02d}", day, None) for n, day in enumerate(_ODD_DAYS)),
    *(
        _wide_day(f"cells-{count:02d}", "2025-06-04", None, count)
        for count in (0, 1, 23, 25, 30)
    ),
    bad("no-cells.csv", b"meter_id,date\nM1,2025-06-01\n", "needs at least 23 columns"),
]
EDGE_STAMPS = (
    "9999-12-31 23:59:59", "9999-12-31 24:00", "10000-01-01 00:00", "0001-01-01 00:00",
    "0001-01-01 00:00:00+14:00", "9999-12-31 23:59:59-14:00", "-0001-01-01 00:00",
    "294247-01-10 04:00:54", "-290308-12-21 (BC)", "-infinity", "253402300799",
    "-62135596800", "9223372036854775807", "1e18", "1e308", "nan", "0x10",
    "2025-06-01 01:00+99:99",
    "2025-06-01 01:00:60", "2025-06-01T01:00:00.0000000000000001Z",
)  # fmt: skip
TIMES += [
    Case(f"edge-{n:02d}.csv", lines(f"M1,{stamp},1,A"), -1, refused_count=-1)
    for n, stamp in enumerate(EDGE_STAMPS)
]
NAMES += [
    good("[red]reads[b].csv", lines("M1,2025-06-01 03:00,42,A"), 3),
    good("reads[1]*?.csv", lines("M1,2025-06-01 03:00,43,A"), 3),
    good("line\nfeed.csv", lines("M1,2025-06-01 03:00,44,A"), 3),
    good("escape\x1b[31m.csv", lines("M1,2025-06-01 03:00,45,A"), 3),
    good("$HOME ~ %s {0}.csv", lines("M1,2025-06-01 03:00,46,A"), 3),
]
TEXT_CASES = [*TIMES, *NUMBERS, *CELLS, *STRUCTURE, *NAMES, *PACKED, *ENCODINGS, *TABLES]
