"""Delimited text: format detected from the first lines, then read by DuckDB in one pass.

If DuckDB cannot read every line of a file as it is (NUL bytes, mixed line endings, unclosed
quotes, another encoding), `mended_copy` writes the readable lines to a copy, each with its line
number, and reports what it left out.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Final

from pipelines.store.packed import BrokenStreamError, content_chunks
from pipelines.store.warehouse import literal, quoted
from rightsize.errors import ConfigError

_HEAD_BYTES: Final = 1 << 16
_KEPT_TEXT: Final = 500
MAX_LINE_BYTES: Final = 1 << 20
_HELD: Final = MAX_LINE_BYTES + 1  # of a line: one character more than allowed
_DELIMITERS: Final = (",", ";", "\t", "|")
_LIKELY: Final = ("utf-8", "cp1252", "latin-1")
"""Encodings of exports in the United States and Western Europe, likeliest first."""
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_WITHOUT_MARK: Final = {"utf-16": "utf-16-le", "utf-32": "utf-32-le"}
"""An encoding that asks for a byte order mark: what text without one is read as."""


@dataclass(frozen=True)
class Dialect:
    """Format of a delimited file."""

    delimiter: str
    header: tuple[str, ...]
    encoding: str
    header_line: int = 1


def dialect(
    path: Path,
    *,
    delimiter: str | None,
    encoding: str,
    skip_lines: int = 0,
    shown: Path | None = None,
) -> Dialect:
    """Delimiter, header and encoding of a file, from its first lines.

    `skip_lines` lines are above the header; `shown` is the path in messages, if it is not the
    one that is read.

    Raises
    ------
    ConfigError
        If the file has no header that can be read.
    OSError
        If it cannot be opened.
    """
    head = _head(path)
    path = shown or path
    if not head.strip(b"\r\n\x00 \t"):
        raise ConfigError(f"{path}: file is empty; expected a header line")
    true_encoding, text = _decoded_head(head, encoding, path)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    rest = enumerate(lines[skip_lines:], skip_lines)
    line_no = next((i for i, line in rest if line.strip()), None)
    if line_no is None:
        raise ConfigError(f"{path}: no header line below the {skip_lines} lines left out")
    chosen = delimiter or max(_DELIMITERS, key=lambda d: lines[line_no].count(d))
    try:
        header = next(csv.reader([lines[line_no]], delimiter=chosen))
    except (csv.Error, StopIteration) as error:
        raise ConfigError(
            f"{path} line {line_no + 1}: header cannot be read: {error}"
        ) from None
    return Dialect(
        delimiter=chosen,
        header=tuple(h.strip() for h in header),
        encoding=true_encoding,
        header_line=line_no + 1,
    )


def is_plain_utf8(encoding: str) -> bool:
    """Whether DuckDB can read the encoding directly."""
    return encoding.lower().replace("_", "-") in ("utf-8", "utf8", "utf-8-sig", "ascii")


def sample_lines(path: Path, count: int, *, encoding: str = "utf-8") -> list[str]:
    """The first lines of a file as text; a byte order mark overrides `encoding`."""
    head = _head(path, 1 << 22, count)
    _, text = _decoded_head(head, encoding, path)
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")[:count]


def whole_text(path: Path, *, encoding: str = "utf-8", advice: str) -> str:
    """A small file as text, whatever ends its lines.

    `advice` says what to do about another encoding; `{fits}` in it becomes the one that fits.

    Raises
    ------
    ConfigError
        If it is not text in the encoding; the message names the line and what would fit.
    OSError
        If it cannot be opened.
    """
    data = path.read_bytes()
    mark = next((m for m in _BOMS if data.startswith(m[0])), None)
    named = mark[1] if mark else encoding
    try:
        text = data.decode(named).lstrip("\ufeff")
    except LookupError:
        raise ConfigError(f"{path}: encoding {encoding!r} is not known") from None
    except UnicodeDecodeError as error:
        line_no = data.count(b"\n", 0, error.start) + 1
        fits = next((e for e in _LIKELY if _fits(data, e)), "none of the usual ones")
        raise ConfigError(
            f"{path} line {line_no}: not text in {named} (byte 0x{data[error.start]:02x}); "
            f"{fits} would fit: {advice.format(fits=fits)}"
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _fits(data: bytes, encoding: str) -> bool:
    try:
        data.decode(encoding)
    except UnicodeDecodeError:
        return False
    return True


def likely_encoding(path: Path) -> str:
    """UTF-8 if the first megabytes are valid UTF-8, else the usual one of Western Windows."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        decoder.decode(_head(path, 1 << 22))
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _head(path: Path, size: int = _HEAD_BYTES, lines: int | None = None) -> bytes:
    head = b""
    try:
        for chunk in content_chunks(path):
            head += chunk
            if len(head) >= size or (lines is not None and head.count(b"\n") > lines):
                break
    except BrokenStreamError:
        pass  # reported when the whole file is read
    return head[:size]


def _decoded_head(head: bytes, encoding: str, path: Path) -> tuple[str, str]:
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name, head.decode(name, errors="ignore").lstrip("\ufeff")
    plain = _WITHOUT_MARK.get(encoding.lower().replace("_", "-"), encoding)
    try:
        return plain, head.decode(plain, errors="ignore")
    except LookupError:
        raise ConfigError(
            f"{path}: unknown encoding {encoding!r}; use a name such as utf-8 or windows-1252"
        ) from None


def mended_copy(path: Path, target: Path, refused: Path, kind: Dialect) -> int:
    """Write the readable lines of a file to `target`, each with its line number in front.

    Left out, and written to `refused` as line, rule, text: lines that are not valid in the
    encoding, have NUL bytes, are too long or have unclosed quotes. Empty lines are not
    rows.

    Returns
    -------
    int
        Number of lines left out.
    """
    refused_count = 0
    with (
        target.open("w", encoding="utf-8", newline="\n") as out,
        refused.open("w", encoding="utf-8", newline="") as refused_out,
    ):
        refuse = csv.writer(refused_out)
        for line_no, raw in _numbered_lines(path, kind.encoding):
            if line_no <= kind.header_line:
                continue
            text, rule = _readable(raw, kind.encoding)
            if rule is not None:
                refused_count += 1
                refuse.writerow((line_no, rule, text[:_KEPT_TEXT]))
            elif text.strip():
                out.write(f"{line_no}{kind.delimiter}{text}\n")
    return refused_count


def _readable(raw: bytes | str, encoding: str) -> tuple[str, str | None]:
    if len(raw) > MAX_LINE_BYTES:
        kept = raw[:_KEPT_TEXT]
        text = kept.decode(encoding, "replace") if isinstance(kept, bytes) else kept
        return text.replace("\x00", "\\0"), "line_too_long"
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
    if text.count('"') % 2:
        return text, "line_unreadable"
    return text, None


def _numbered_lines(path: Path, encoding: str) -> Iterator[tuple[int, bytes | str]]:
    """Numbered lines, with any line ending."""
    with path.open("rb") as handle:
        if encoding.startswith(("utf-16", "utf-32")):
            text = io.TextIOWrapper(handle, encoding, errors="replace", newline=None)
            for line_no, line in enumerate(_text_lines(text), 1):
                yield line_no, line.rstrip("\n").lstrip("\ufeff")
        else:
            yield from enumerate(_byte_lines(handle), 1)


def _text_lines(text: IO[str]) -> Iterator[str]:
    """Lines; a line that is too long is cut just beyond the limit."""
    while line := text.readline(_HELD):
        part = line
        while len(part) == _HELD and not part.endswith("\n"):
            part = text.readline(_HELD)
        yield line


def _byte_lines(handle: IO[bytes]) -> Iterator[bytes]:
    """Lines; a line that is too long is cut just beyond the limit."""
    rest, mark = b"", codecs.BOM_UTF8
    while chunk := handle.read(MAX_LINE_BYTES):
        chunk, mark = chunk.removeprefix(mark), b""
        if chunk.endswith(b"\r"):  # may be the first half of CR LF
            chunk += handle.read(1)
        parts = (rest + chunk).replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        rest = parts.pop()[:_HELD]
        yield from parts
    if rest:
        yield rest


def raw_line_sql(path: Path, kind: Dialect, *, is_mended: bool) -> str:
    """A `read_csv` call that yields the columns `c0 .. cn` as text; `line` if mended."""
    names = [f"c{i}" for i in range(len(kind.header))]
    if is_mended:
        names.insert(0, "line")
    columns = ", ".join(f"'{n}': 'varchar'" for n in names)
    skip = 0 if is_mended else kind.header_line
    return (
        f"read_csv({quoted(literal(path))}, delim = {quoted(kind.delimiter)}, quote = '\"', "
        "escape = '\"', hive_partitioning = false, "
        f"header = false, skip = {skip}, compression = 'none', auto_detect = false, "
        f"columns = {{{columns}}}, ignore_errors = true, store_rejects = true, "
        f"max_line_size = {MAX_LINE_BYTES})"
    )
