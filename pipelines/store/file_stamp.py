"""The files of an export: found by glob, sorted, and known by the hash of their content."""

from __future__ import annotations

import glob
import os
import stat
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from blake3 import blake3

_CHUNK: Final = 1 << 18  # stays in the processor's own memory
_BLOCK: Final = 1 << 26
_LINE_FEED: Final = 10
_PARTIAL: Final = (".tmp", ".part", ".partial", ".filepart", ".crdownload", ".swp")


@dataclass(frozen=True)
class FileStamp:
    """What the file system says of a file: enough to see that it did not change."""

    path: Path
    bytes: int
    modified_ns: int

    @classmethod
    def of(cls, path: Path) -> FileStamp:
        """The stamp of a file as it is now.

        Raises
        ------
        OSError
            If it cannot be looked at.
        """
        info = path.stat()
        return cls(path, info.st_size, info.st_mtime_ns)


@dataclass(frozen=True)
class FileProblem:
    """A file that could not be landed, or not whole; the text is for the reader."""

    path: Path
    code: str
    message: str


def export_paths(pattern: Path) -> tuple[list[Path], list[FileProblem]]:
    """The files that a glob names, sorted by path; a folder means every file in it.

    Files that a transfer still writes (`.part`, `.tmp`, hidden ones) are left for later.
    A loop of symbolic links, or a link to nowhere, is a problem of that path only.
    """
    if pattern.is_dir():
        pattern = pattern / "*"
    files: list[Path] = []
    problems: list[FileProblem] = []
    for name in sorted(glob.glob(str(pattern), recursive=True)):
        path = Path(name)
        if path.name.startswith(".") or path.suffix.lower() in _PARTIAL:
            continue
        try:
            mode = path.stat().st_mode
        except OSError as error:
            problems.append(FileProblem(path, "file_unreadable", _reason(path, error)))
            continue
        if stat.S_ISREG(mode):
            files.append(path)
        elif not stat.S_ISDIR(mode):
            problems.append(
                FileProblem(path, "file_unreadable", f"{path}: not a regular file; left alone")
            )
    return files, problems


def content_hash(path: Path) -> tuple[str, int]:
    """Hash of a file's content and the count of line feeds in it.

    BLAKE3 over the BLAKE3 of each 64 MiB block, so that the blocks of a large file are gone
    through on all processors at once.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    starts = range(0, max(path.stat().st_size, 1), _BLOCK)
    with ThreadPoolExecutor(min(len(starts), os.cpu_count() or 1)) as pool:
        blocks = list(pool.map(partial(_block_hash, path), starts))
    digest = blake3(b"".join(block for block, _ in blocks))
    return digest.hexdigest(), sum(lines for _, lines in blocks)


def _block_hash(path: Path, start: int) -> tuple[bytes, int]:
    digest, lines, left = blake3(), 0, _BLOCK
    buffer = bytearray(_CHUNK)
    with path.open("rb", buffering=0) as handle, memoryview(buffer) as view:
        handle.seek(start)
        while left and (size := handle.readinto(view[: min(left, _CHUNK)])):
            digest.update(view[:size])
            lines += int(np.count_nonzero(np.frombuffer(view[:size], np.uint8) == _LINE_FEED))
            left -= size
    return digest.digest(), lines


def _reason(path: Path, error: OSError) -> str:
    return f"{path}: cannot be read: {os.strerror(error.errno or 0).lower()}"


def unreadable(path: Path, error: OSError) -> FileProblem:
    """An operating system's refusal as a problem of that file."""
    return FileProblem(path, "file_unreadable", _reason(path, error))
