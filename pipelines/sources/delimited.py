"""Delimited text: found out from its first lines, then read by DuckDB in one pass.

Two roads lead into `raw_line`. The straight one lets DuckDB read the file as it lies. Where
that cannot keep every line (a broken end of a compressed file, NUL bytes, mixed line ends,
quotes that never close, another encoding), `mended_copy` writes the readable lines aside,
each with its line number, and says what it left out.
"""

from __future__ import annotations

import codecs
import csv
import gzip
import io
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

import zstandard

from rightsize.errors import ConfigError

_HEAD_BYTES: Final = 1 << 16
_KEPT_TEXT: Final = 500
MAX_LINE_BYTES: Final = 1 << 20
_DELIMITERS: Final = (",", ";", "\t", "|")
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True)
class Dialect:
    """How a delimited file is written."""

    delimiter: str
    header: tuple[str, ...]
    encoding: str
    compression: str
    header_line: int = 1


@dataclass
class Mended:
    """What mending a file left out; the refused lines themselves lie in a file."""

    refused_lines: int = 0
    broken: str | None = None
    cut: str = ""
    lines: int = 0


def open_bytes(path: Path) -> IO[bytes]:
    """The file's content, decompressed on the way, told by its first bytes, not its name.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    handle = path.open("rb")
    magic = handle.read(4)
    handle.seek(0)
    if magic[:2] == b"\x1f\x8b":
        return gzip.GzipFile(fileobj=handle, mode="rb")  # type: ignore[return-value]
    if magic == b"\x28\xb5\x2f\xfd":
        return zstandard.ZstdDecompressor().stream_reader(  # type: ignore[return-value]
            handle, read_across_frames=True, closefd=True
        )
    return handle


def compression(path: Path) -> str:
    """`gzip`, `zstd` or `none`, by the content's first bytes."""
    with path.open("rb") as handle:
        magic = handle.read(4)
    if magic[:2] == b"\x1f\x8b":
        return "gzip"
    return "zstd" if magic == b"\x28\xb5\x2f\xfd" else "none"


def dialect(path: Path, *, delimiter: str | None, encoding: str) -> Dialect:
    """Delimiter, header and encoding of a file, from its first lines.

    Raises
    ------
    ConfigError
        If the file has no header that can be read.
    OSError
        If it cannot be opened.
    """
    head = _head(path)
    if not head.strip(b"\r\n\x00 \t"):
        raise ConfigError(f"{path}: the file is empty; a header line was expected")
    true_encoding, text = _decoded_head(head, encoding, path)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    line_no = next((i for i, line in enumerate(lines) if line.strip()), 0)
    chosen = delimiter or max(_DELIMITERS, key=lambda d: lines[line_no].count(d))
    try:
        header = next(csv.reader([lines[line_no]], delimiter=chosen))
    except (csv.Error, StopIteration) as error:
        raise ConfigError(f"{path} line {line_no + 1}: no readable header: {error}") from None
    return Dialect(
        delimiter=chosen, header=tuple(h.strip() for h in header), encoding=true_encoding,
        compression=compression(path), header_line=line_no + 1,
    )  # fmt: skip


def is_plain_utf8(encoding: str) -> bool:
    """Whether DuckDB can read the encoding as it lies."""
    return encoding.lower().replace("_", "-") in ("utf-8", "utf8", "utf-8-sig", "ascii")


def sample_lines(path: Path, count: int) -> list[str]:
    """The first lines of a file as text, whatever it is written in."""
    head = b""
    for chunk in _whole_chunks(path):
        head += chunk
        if head.count(b"\n") > count or len(head) > 1 << 22:
            break
    _, text = _decoded_head(head, "utf-8", path)
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[:count]


def _head(path: Path) -> bytes:
    try:
        with open_bytes(path) as handle:
            return handle.read(_HEAD_BYTES)
    except (EOFError, zlib.error, gzip.BadGzipFile, zstandard.ZstdError):
        return b"".join(_whole_chunks(path))[:_HEAD_BYTES]


def _decoded_head(head: bytes, encoding: str, path: Path) -> tuple[str, str]:
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name, head.decode(name, errors="ignore").lstrip("\ufeff")
    try:
        return encoding, head.decode(encoding, errors="ignore")
    except LookupError:
        raise ConfigError(f"{path}: encoding {encoding!r} is not known") from None


def _whole_chunks(path: Path, size: int = 1 << 16) -> Iterator[bytes]:
    """What a stream gives before it breaks; ends silently there."""
    try:
        with open_bytes(path) as handle:
            while chunk := handle.read(size):
                yield chunk
    except (EOFError, zlib.error, gzip.BadGzipFile, zstandard.ZstdError, OSError):
        return


def mended_copy(path: Path, target: Path, refused: Path, kind: Dialect) -> Mended:
    """Write the readable lines of a file to `target`, each with its line number in front.

    Left out, and written to `refused` as line, rule, text: lines that are not text in the
    encoding, that hold NUL bytes, that are longer than a line may be, whose quotes do not
    close, and the line at which a compressed stream broke. Empty lines are no rows.
    """
    result = Mended()
    with (
        target.open("w", encoding="utf-8", newline="\n") as out,
        refused.open("w", encoding="utf-8", newline="") as refused_out,
    ):
        refuse = csv.writer(refused_out)
        for line_no, raw, rule in _judged_lines(path, kind.encoding, result):
            result.lines = line_no
            if line_no <= kind.header_line:
                continue
            if rule is not None:
                result.refused_lines += 1
                refuse.writerow((line_no, rule, raw[:_KEPT_TEXT]))
            elif raw.strip():
                out.write(f"{line_no}{kind.delimiter}{raw}\n")
    return result


def _judged_lines(
    path: Path, encoding: str, result: Mended
) -> Iterator[tuple[int, str, str | None]]:
    line_no = 0
    for line_no, raw in _numbered_lines(path, encoding, result):
        text, rule = _readable(raw, encoding)
        yield line_no, text, rule
    if result.broken and result.cut:
        yield line_no + 1, result.cut, "line_cut"


def _readable(raw: bytes | str, encoding: str) -> tuple[str, str | None]:
    if isinstance(raw, bytes):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            return raw.decode(encoding, errors="replace"), "line_encoding"
    else:
        text = raw
    if "\x00" in text:
        return text.replace("\x00", "\\0"), "line_nul_bytes"
    if "\ufffd" in text and not isinstance(raw, bytes):
        return text, "line_encoding"
    if len(text) > MAX_LINE_BYTES:
        return text, "line_too_long"
    if text.count('"') % 2:
        return text, "line_unreadable"
    return text, None


def _numbered_lines(
    path: Path, encoding: str, result: Mended
) -> Iterator[tuple[int, bytes | str]]:
    """Lines by number, whatever ends them; a break in the stream ends the lines."""
    try:
        with open_bytes(path) as handle:
            if encoding.startswith(("utf-16", "utf-32")):
                text = io.TextIOWrapper(handle, encoding, errors="replace", newline=None)
                for line_no, line in enumerate(text, 1):
                    yield line_no, line.rstrip("\n").lstrip("\ufeff")
            else:
                yield from _byte_lines(handle, result)
    except (EOFError, zlib.error, gzip.BadGzipFile, zstandard.ZstdError) as error:
        result.broken = str(error) or type(error).__name__


def _byte_lines(handle: IO[bytes], result: Mended) -> Iterator[tuple[int, bytes]]:
    rest = b""
    line_no = 0
    try:
        while chunk := handle.read(_HEAD_BYTES):
            if chunk.endswith(b"\r"):  # may be the first half of CR LF
                chunk += handle.read(1)
            parts = (rest + chunk).replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
            rest = parts.pop()
            for part in parts:
                line_no += 1
                yield line_no, part.removeprefix(codecs.BOM_UTF8) if line_no == 1 else part
    except (EOFError, zlib.error, gzip.BadGzipFile, zstandard.ZstdError) as error:
        result.broken = str(error) or type(error).__name__
        result.cut = rest.decode("utf-8", "replace")  # the line at the break is not whole
        return
    if rest:
        yield line_no + 1, rest


def raw_line_sql(path: Path, kind: Dialect, *, is_mended: bool) -> str:
    """A `read_csv` call that yields the columns `c0 .. cn` as text; `line` if mended."""
    names = [f"c{i}" for i in range(len(kind.header))]
    if is_mended:
        names.insert(0, "line")
    columns = ", ".join(f"'{n}': 'varchar'" for n in names)
    literal = str(path).replace("'", "''")
    delimiter = kind.delimiter.replace("'", "''")
    skip = 0 if is_mended else kind.header_line
    packed = "none" if is_mended else kind.compression
    return (
        f"read_csv('{literal}', delim = '{delimiter}', quote = '\"', escape = '\"', "
        f"header = false, skip = {skip}, compression = '{packed}', auto_detect = false, "
        f"columns = {{{columns}}}, ignore_errors = true, store_rejects = true, "
        f"max_line_size = {MAX_LINE_BYTES})"
    )
