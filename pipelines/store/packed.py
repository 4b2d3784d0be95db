"""Files packed by gzip or zstandard: unpacked aside, with every break reported.

The database's reader takes a cut zstandard file, or a gzip file whose checksum is wrong, for a
whole one; so packed files are unpacked here, where a break is seen.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

import zstandard

_CHUNK: Final = 1 << 20
_PACKED_CHUNK: Final = 1 << 14  # small: what one chunk holds is lost where the stream breaks
_GZIP: Final = b"\x1f\x8b"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"


class BrokenStreamError(Exception):
    """A packed file ended before its end, or does not hold together; the text says how."""


@dataclass(frozen=True)
class Unpacked:
    """A packed file's content up to its end or its break."""

    path: Path
    bytes: int
    lines: int  # line feeds
    broken: str | None
    cut: str  # the start of the line at which the stream broke, left out of the file


def is_packed(path: Path) -> bool:
    """Whether the content is gzip or zstandard, by its first bytes.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    with path.open("rb") as handle:
        magic = handle.read(4)
    return magic[:2] == _GZIP or magic == _ZSTD


def content_chunks(path: Path) -> Iterator[bytes]:
    """The file's content, unpacked where it is packed.

    Raises
    ------
    BrokenStreamError
        After the last good chunk, where the packed stream breaks.
    OSError
        If it cannot be read.
    """
    with path.open("rb") as handle:
        magic = handle.read(4)
        handle.seek(0)
        if magic[:2] == _GZIP:
            yield from _unpacked(
                lambda: zlib.decompressobj(wbits=31), iter_of(handle, _PACKED_CHUNK)
            )
        elif magic == _ZSTD:
            fresh = zstandard.ZstdDecompressor().decompressobj
            yield from _unpacked(fresh, iter_of(handle, _PACKED_CHUNK))
        else:
            yield from iter_of(handle)


def iter_of(handle: IO[bytes], size: int = _CHUNK) -> Iterator[bytes]:
    """A file's bytes in chunks."""
    while chunk := handle.read(size):
        yield chunk


def _unpacked(fresh: Callable[[], Any], chunks: Iterator[bytes]) -> Iterator[bytes]:
    """One packed member after another."""
    member = fresh()
    has_begun = False
    try:
        for chunk in chunks:
            rest = chunk
            while rest:
                if member.eof:
                    rest = rest.lstrip(b"\x00")  # padding between members
                    if not rest:
                        break
                    member = fresh()
                out = member.decompress(rest)
                has_begun = True
                rest = member.unused_data if member.eof else b""
                if out:
                    yield out
    except (zlib.error, zstandard.ZstdError) as error:
        raise BrokenStreamError(str(error)) from None
    if has_begun and not member.eof:
        raise BrokenStreamError("the file ends before its packed content does")


def unpack(path: Path, target: Path) -> Unpacked:
    """Write the content of a packed file to `target`, up to the last whole line of it.

    Raises
    ------
    OSError
        If the file cannot be read, or there is no room for it.
    """
    size = lines = kept = 0
    tail = b""
    broken = None
    with target.open("wb") as out:
        try:
            for chunk in content_chunks(path):
                out.write(chunk)
                lines += chunk.count(b"\n")
                end = chunk.rfind(b"\n")
                if end >= 0:
                    kept, tail = size + end + 1, b""
                tail += chunk[end + 1 :]
                size += len(chunk)
        except BrokenStreamError as error:
            broken = str(error)
            out.truncate(kept)
    cut = tail.decode("utf-8", errors="replace") if broken else ""
    return Unpacked(target, kept if broken else size, lines, broken, cut)
