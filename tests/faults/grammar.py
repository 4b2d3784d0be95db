"""Odd files made by rule from a seed: a good file, changed by structure and by bytes.

One seed always makes the same file. What is changed comes from a corpus of the pieces that
readers fall over: edges of number and time types, delimiters, quotes, line ends, encodings.
"""

from __future__ import annotations

import gzip
import io
import random
from collections.abc import Callable
from typing import Final

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

NUMBERS: Final = (
    "0", "-0", "1", "-1", "1.5", "1e308", "1e309", "-1e308", "1e-400", "nan", "inf", "-inf",
    "9" * 30, "9" * 400, "2147483648", "9223372036854775807", "9223372036854775808", "0x1F",
    "1_000", "1,5", "1,234.5", "1.234,5", " 7 ", "+3", "--3", "NULL", "None", "", "12 gal",
)  # fmt: skip
TIMES: Final = (
    "2025-06-01 01:00", "2025-06-01T01:00:00Z", "2025-06-01 24:00", "2025-03-09 02:30",
    "2025-11-02 01:30", "9999-12-31 23:59:59", "9999-12-31", "10000-01-01", "0001-01-01",
    "0000-00-00", "-0001-01-01 00:00", "infinity", "-infinity", "epoch", "1748739600",
    "1748739600000", "253402300800", "-62135596801", "9223372036854775807", "1e18",
    "06/01/2025",
    "2025-06-01 01:00+99:00", "2025-06-01 01:00-06:00", "2025-6-1 1:00", "noon", "",
)  # fmt: skip
NAMES: Final = (
    "M1", "M2", "", " M1 ", "[/b]", "=1+1", "'", '"', "M\u00e9", "\u6c34", "a\tb", "M" * 5000,
    "'; drop table x; --", "\u202eM", "NULL", "\ufeffM1", "M1\r",
)  # fmt: skip
SCRAPS: Final = (
    b"\x00", b'"', b"'", b"\n", b"\r", b"\r\n", b",", b";", b"\t", b"|", b"\xff", b"\xfe\xff",
    b"\xef\xbb\xbf", b"\xed\xa0\x80", b"\xf0\x9f\x9a\xb0", b"<", b"&#0;", b"]]>", b"<!--", b"{",
    b"[", b": ", b"- ", b"&a", b"*a", b"!!int ", b"~", b"PAR1", b"\x1f\x8b", b"(\xb5/\xfd",
)  # fmt: skip
ENCODINGS: Final = ("utf-8", "utf-8-sig", "utf-16", "utf-32", "latin-1", "utf-7", "cp500")
Make = Callable[[random.Random], bytes]


def one_of(rng: random.Random, usual: str, odd: tuple[str, ...], share: float = 0.06) -> str:
    return rng.choice(odd) if rng.random() < share else usual


def table(rng: random.Random, header: list[str], cells: Callable[[int], list[str]]) -> bytes:
    """Delimited text, now and then with other ends, delimiters, quotes and encodings."""
    end = rng.choice(["\n"] * 8 + ["\r\n", "\r"])
    mark = rng.choice([","] * 8 + [";", "\t", "|"])
    if rng.random() < 0.1:
        rng.shuffle(header)
    rows = [header, *(cells(n) for n in range(rng.randrange(0, 8)))]
    for row in rows[1:]:
        if rng.random() < 0.04:
            row.append("more")
        if rng.random() < 0.04:
            row.pop()
        if rng.random() < 0.04 and row:  # a row of one cell may have lost it
            row[rng.randrange(len(row))] = '"' + rng.choice(["", "a\nb", '""', ",", '"'])
    text = end.join(mark.join(row) for row in rows) + (end if rng.random() < 0.9 else "")
    name = rng.choice(["utf-8"] * 14 + [*ENCODINGS])
    return text.encode(name, "replace")


def interval(rng: random.Random) -> bytes:
    header = [
        one_of(rng, n, NAMES, 0.02) for n in ("meter_id", "interval_end", "volume", "quality")
    ]
    return table(
        rng,
        header,
        lambda n: [
            one_of(rng, "M1", NAMES),
            one_of(rng, f"2025-06-01 {n + 1:02d}:00", TIMES),
            one_of(rng, str(n), NUMBERS),
            rng.choice(["A", "E", "", "?", "missing"]),
        ],
    )


def register(rng: random.Random) -> bytes:
    header = [one_of(rng, n, NAMES, 0.02) for n in ("meter_id", "read_at", "reading")]
    return table(
        rng,
        header,
        lambda n: [
            one_of(rng, "M4", NAMES),
            one_of(rng, f"2025-06-{n + 1:02d} 01:00", TIMES),
            one_of(rng, str(100 * n), NUMBERS),
        ],
    )


def wide(rng: random.Random) -> bytes:
    hours = rng.choice([24] * 8 + [0, 1, 23, 25, 30])
    return table(
        rng,
        ["meter_id", "date", *(f"h{k}" for k in range(1, hours + 1))],
        lambda n: [
            one_of(rng, "M1", NAMES),
            one_of(rng, f"2025-06-{n + 1:02d}", (*TIMES, "2025-03-09", "2025-11-02")),
            *(one_of(rng, "1", NUMBERS, 0.01) for _ in range(hours)),
        ],
    )


def espi(rng: random.Random) -> bytes:
    start = 1748736000

    def number(usual: int) -> int | str:
        return one_of(rng, str(usual), NUMBERS, 0.04)

    readings = [
        Reading(number(n), number(start + 3600 * n), number(3600), (number(0),))  # type: ignore[arg-type]
        for n in range(rng.randrange(0, 5))
    ]
    parts = [
        usage_point("M1", service=number(2), title=one_of(rng, "", ("M1", "&lt;", "]]&gt;"))),  # type: ignore[arg-type]
        meter_reading("M1", "T"),
        reading_type(
            "T", uom=number(128), power=number(0), behaviour=number(4), length=number(3600)
        ),  # type: ignore[arg-type]
        block("M1", number(start), readings),  # type: ignore[arg-type]
    ]
    if rng.random() < 0.1:
        rng.shuffle(parts)
    if rng.random() < 0.1:
        parts.pop(rng.randrange(len(parts)))
    text = feed(*parts)
    name = rng.choice(["utf-8"] * 10 + [*ENCODINGS])
    if rng.random() < 0.05:
        text = text.replace("UTF-8", rng.choice([*ENCODINGS, "idna", "shift_jis", "x", ""]))
    return text.encode(name, "replace")


def parquet(rng: random.Random) -> bytes:
    rows = rng.randrange(0, 6)
    kinds: list[Callable[[int], object]] = [
        lambda n: f"M{n}", lambda n: n, lambda n: float(n),
        lambda n: 1748739600 + 3600 * n,
        lambda n: None,
        lambda n: f"2025-06-01 {n + 1:02d}:00", lambda n: [n], lambda n: {"a": n},
        lambda n: b"\xff", lambda n: n % 2 == 0, lambda n: float("nan"), lambda n: 2**62 + n,
    ]  # fmt: skip
    usual = {"meter_id": kinds[0], "interval_end": kinds[5], "volume": kinds[2]}
    columns = {
        name: [kind(n) for n in range(rows)]
        for name, kind in (
            (n, rng.choice(kinds) if rng.random() < 0.2 else k) for n, k in usual.items()
        )
    }
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


def flow_log(rng: random.Random) -> bytes:
    """The file of a flow logger: keys, then rows; now and then with odd ones."""
    keys = {
        "meter_id": one_of(rng, "M2", NAMES),
        "pulse_gal": one_of(rng, "1", NUMBERS),
        "step_s": one_of(rng, "10", NUMBERS),
        "drift_s_per_day": one_of(rng, "0", NUMBERS),
        "error_pct": one_of(rng, "2", NUMBERS, 0.02),
        "start_at": one_of(rng, "2025-06-01T01:00:00", TIMES),
        "timezone": one_of(rng, "UTC", NAMES, 0.02),
        "measures": one_of(rng, "meter", NAMES, 0.02),
    }
    for name in list(keys):
        if rng.random() < 0.15:
            keys.pop(name)
    head = "".join(f"# {one_of(rng, n, NAMES, 0.01)}: {v}\n" for n, v in keys.items())
    kind = rng.choice(["pulses"] * 4 + ["flow", "volume"])
    columns = [*(["at"] if rng.random() < 0.8 else []), one_of(rng, kind, NAMES, 0.02)]
    rows = table(
        rng,
        columns,
        lambda n: [
            one_of(rng, f"2025-06-01T01:00:{10 * n:02d}Z", TIMES),
            one_of(rng, str(n), NUMBERS),
        ][-len(columns) :],
    )
    return head.encode("utf-8", "replace") + rows


def mutated(rng: random.Random, content: bytes, *, share: float = 0.5) -> bytes:
    """The same with a few bytes flipped, cut, put in, doubled or packed."""
    while rng.random() < share and content:
        at = rng.randrange(len(content))
        how = rng.randrange(6)
        if how == 0:
            content = (
                content[:at]
                + bytes([content[at] ^ (1 << rng.randrange(8))])
                + content[at + 1 :]
            )
        elif how == 1:
            content = content[:at] + rng.choice(SCRAPS) + content[at:]
        elif how == 2:
            content = content[:at] + content[at + rng.randrange(1, 20) :]
        elif how == 3:
            content = content[:at]
        elif how == 4:
            piece = content[at : at + rng.randrange(1, 60)]
            content = content[:at] + piece * rng.randrange(2, 5) + content[at:]
        else:
            content = content[:at] + rng.randbytes(rng.randrange(1, 8)) + content[at:]
    if rng.random() < 0.06:
        content = gzip.compress(content, mtime=0)
    elif rng.random() < 0.04:
        content = zstandard.ZstdCompressor().compress(content)
    else:
        return content
    return mutated(rng, content, share=share / 2)


READERS: Final[dict[str, tuple[str, str, Make]]] = {
    "interval": ("interval", "csv", interval),
    "register": ("register", "csv", register),
    "wide": ("wide", "csv", wide),
    "espi": ("espi", "xml", espi),
    "parquet": ("interval", "parquet", parquet),
}
"""Layout, ending and grammar of each reader."""

VALUES: Final = (
    "~", "true", "1", "-1", "1.0e+308", "1e308", ".nan", ".inf", "-.inf", "9" * 30,
    "9" * 5000,
    "''", "word", "'[/b]'", '"\\0"', '"\\ud800"', "[]", "{}", "[[]]", "[1, 2]",
    "{a: b}",
    "{? [a] : b}", "2025-02-30", "2025-01-01", "!!int x", "!!binary '*'", "!x y",
    "&a [*a]", "*z",
    "0x_", "1:2:3", "'a\n\n b'", "/dev/null", "../..", "memory://x", "nosuch://x", "=", "<<",
)  # fmt: skip


def yaml_text(rng: random.Random, text: str) -> bytes:
    """A YAML file with values, keys or lines exchanged, then perhaps with odd bytes."""
    lines = text.splitlines()
    for _ in range(rng.randrange(1, 4)):
        at = rng.randrange(len(lines))
        how = rng.randrange(5)
        if how <= 1 and ":" in lines[at]:
            key = lines[at][: lines[at].rindex(":") + 1]
            lines[at] = f"{key} {rng.choice(VALUES)}"
        elif how == 2:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif how == 3 and len(lines) > 1:
            lines.pop(at)
        else:
            lines[at] = rng.choice(("  ", "- ", "? ")) + lines[at]
    return mutated_text(rng, "\n".join(lines) + "\n")


def mutated_text(rng: random.Random, text: str) -> bytes:
    content = text.encode("utf-8", "surrogatepass")
    return mutated(rng, content, share=0.3) if rng.random() < 0.5 else content


def with_rows(text: str, rng: random.Random) -> bytes:
    """A meter list with cells exchanged."""
    rows = [line.split(",") for line in text.splitlines()]
    for _ in range(rng.randrange(1, 4)):
        row = rng.choice(rows)
        row[rng.randrange(len(row))] = rng.choice((*NUMBERS, *NAMES, *TIMES))
    return mutated_text(rng, "\n".join(",".join(row) for row in rows) + "\n")
