"""Files compressed by gzip or zstandard: decompressed to a copy, with damage reported.

The database's reader accepts a truncated zstandard file, or a gzip file with a wrong checksum,
as complete; so compressed files are decompressed here, where damage is detected.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

import zstandard

from rightsize.errors import ConfigError

_CHUNK: Final = 1 << 20
_PACKED_CHUNK: Final = 1 << 11
"""Small: what one chunk holds is lost where the stream breaks; and a chunk of zstandard may
stand for 128 KiB in every four of its bytes, 64 MiB in all."""
_MOST_RATIO: Final = 1000
"""Of unpacked to packed bytes. Our convention; a year of hourly zeros of 100 meters comes to 11
by gzip and to 131 by zstandard at level 19 (measured), a file that is made to fill disks to
tens of thousands."""
_SMALL_BYTES: Final = 1 << 28
"""So much may be unpacked whatever the ratio: a tiny file of zeros is no danger."""
_KEPT_CUT_BYTES: Final = 1 << 12
_GZIP: Final = b"\x1f\x8b"
_ZSTD: Final = b"\x28\xb5\x2f\xfd"


class BrokenStreamError(Exception):
    """A compressed file is truncated or damaged; the text says how."""


@dataclass(frozen=True)
class Unpacked:
    """A compressed file's content up to its end or the damage."""

    path: Path
    bytes: int
    lines: int  # line feeds
    broken: str | None
    cut: str  # the incomplete line at the damage, left out of the file


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
    """The file's content, decompressed if compressed.

    Raises
    ------
    BrokenStreamError
        After the last good chunk, if the compressed stream is damaged.
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
    """One compressed member after another."""
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
        raise BrokenStreamError("unexpected end of compressed data")


def unpack(path: Path, target: Path) -> Unpacked:
    """Write the content of a compressed file to `target`, up to the last complete line.

    Raises
    ------
    ConfigError
        If it unpacks to far more than reads could: such a file is made to fill disks.
    OSError
        If the file cannot be read, or the disk is full.
    """
    most = max(_SMALL_BYTES, _MOST_RATIO * path.stat().st_size)
    size = lines = kept = 0
    tail = b""
    broken = None
    with target.open("wb") as out:
        try:
            for chunk in content_chunks(path):
                if size + len(chunk) > most:
                    raise ConfigError(
                        f"{path}: unpacks to more than {_MOST_RATIO} times its size "
                        f"({most / 1e6:,.0f} MB and on), so it is not landed; if it holds "
                        "reads, unpack it"
                    )
                out.write(chunk)
                lines += chunk.count(b"\n")
                end = chunk.rfind(b"\n")
                if end >= 0:
                    kept, tail = size + end + 1, b""
                tail = (tail + chunk[end + 1 : end + 1 + _KEPT_CUT_BYTES])[:_KEPT_CUT_BYTES]
                size += len(chunk)
        except BrokenStreamError as error:
            broken = str(error)
            out.truncate(kept)
    cut = tail.decode("utf-8", errors="replace") if broken else ""
    return Unpacked(target, kept if broken else size, lines, broken, cut)
