"""The files of an export: found by its pattern, sorted, and identified by content hash."""

from __future__ import annotations

import fnmatch
import glob
import os
import stat
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from blake3 import blake3

from pipelines.store.usable_path import kernel_devices, usable_path

_CHUNK: Final = 1 << 18  # fits in the processor cache
_BLOCK: Final = 1 << 26
_LINE_FEED: Final = 10
_PARTIAL: Final = (".tmp", ".part", ".partial", ".filepart", ".crdownload", ".swp")


@dataclass(frozen=True)
class FileStamp:
    """Size and time of a file: enough to see that it did not change.

    `changed_ns` is the time of the last change of its entry: a copy that keeps size and
    modification time has another.
    """

    path: Path
    bytes: int
    modified_ns: int
    changed_ns: int

    @classmethod
    def of(cls, path: Path) -> FileStamp:
        """The current stamp of a file.

        Raises
        ------
        OSError
            If it cannot be accessed.
        """
        info = path.stat()
        return cls(path, info.st_size, info.st_mtime_ns, info.st_ctime_ns)


@dataclass(frozen=True)
class FileProblem:
    """A file that could not be loaded, or only partly; the text is shown to the user."""

    path: Path
    code: str
    message: str


@dataclass(frozen=True)
class ExportPlace:
    """Location of an export's files: a folder or file by name, and a pattern in it.

    Only the text in the configuration is a pattern: `*`, `?`, `**`, and `[...]` unless a file
    or folder of exactly that name exists.
    """

    base: Path
    pattern: tuple[str, ...] = ()

    @classmethod
    def of(cls, folder: Path, written: str) -> ExportPlace:
        """Location for a path in the configuration, relative to a folder."""
        base, parts = folder, Path(written).parts
        for done, part in enumerate(parts):
            if _is_pattern(base, part):
                return cls(usable_path(base), parts[done:])
            base = base / part
        return cls(usable_path(base))

    def __str__(self) -> str:
        return str(self.base.joinpath(*self.pattern))


def export_paths(place: ExportPlace) -> tuple[list[Path], list[FileProblem]]:
    """The files of an export, sorted by path; a folder means every file in it.

    Files still being transferred (`.part`, `.tmp`, hidden ones) are skipped for now.
    A loop of symbolic links, or a broken link, is a problem of that path only; so is a
    kernel file, such as one in `/proc`, which may have no end.
    """
    files: list[Path] = []
    problems: list[FileProblem] = []
    made_up = kernel_devices()
    for path in sorted(_matching(place)):
        if path.name.startswith(".") or path.suffix.lower() in _PARTIAL:
            continue
        try:
            found = path.stat()
        except OSError as error:
            problems.append(FileProblem(path, "file_unreadable", _reason(path, error)))
            continue
        if stat.S_ISDIR(found.st_mode):
            continue
        if stat.S_ISREG(found.st_mode) and found.st_dev not in made_up:
            files.append(path)
        else:
            problems.append(
                FileProblem(path, "file_unreadable", f"{path}: not a regular file; skipped")
            )
    return files, problems


def _matching(place: ExportPlace) -> set[Path]:
    if place.pattern:
        return set(_below(place.base, place.pattern))
    if place.base.is_dir():
        return set(_named(place.base, "*"))
    return {place.base} if os.path.lexists(place.base) else set()


def _below(folder: Path, pattern: tuple[str, ...]) -> Iterator[Path]:
    """Everything under a folder that matches a pattern, part by part."""
    first, *rest = pattern
    if first == "**":
        for inner in _folders(folder):
            yield from _below(inner, tuple(rest) or ("*",))
        return
    for path in _named(folder, first):
        if not rest:
            yield path
        elif path.is_dir():
            yield from _below(path, tuple(rest))


def _is_pattern(folder: Path, name: str) -> bool:
    if "*" in name or "?" in name:  # never the name of a single file: it would hide all others
        return True
    return glob.has_magic(name) and not os.path.lexists(folder / name)


def _named(folder: Path, name: str) -> list[Path]:
    """Entries of a folder with this name or matching it; `*` excludes hidden ones."""
    if not _is_pattern(folder, name):
        return [folder / name] if os.path.lexists(folder / name) else []
    try:
        found = os.listdir(folder)
    except OSError:
        return []
    with_hidden = name.startswith(".")
    return [
        folder / entry
        for entry in fnmatch.filter(found, name)
        if with_hidden or not entry.startswith(".")
    ]


def _folders(folder: Path) -> Iterator[Path]:
    """A folder and all folders under it, each once, links followed."""
    seen: set[tuple[int, int]] = set()
    waiting = [folder]
    while waiting:
        here = waiting.pop()
        try:
            info = here.stat()
        except OSError:
            continue  # a broken link
        if stat.S_ISDIR(info.st_mode) and (info.st_dev, info.st_ino) not in seen:
            seen.add((info.st_dev, info.st_ino))
            yield here
            waiting += sorted(_named(here, "*"), reverse=True)


def is_plain_file(path: Path) -> bool:
    """Whether a path is a file with an end: not a pipe, device or kernel file.

    Raises
    ------
    OSError
        If it cannot be looked at.
    """
    found = path.stat()
    return stat.S_ISREG(found.st_mode) and found.st_dev not in kernel_devices()


def content_hash(path: Path) -> tuple[str, int]:
    """Hash of a file's content and the count of line feeds in it.

    BLAKE3 over the BLAKE3 of each 64 MiB block, so that the blocks of a large file are hashed
    on all processors at once.

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
    import numpy as np  # counts short lines four times as fast as `bytearray.count`

    digest, lines, left = blake3(), 0, _BLOCK
    buffer = bytearray(_CHUNK)
    cells = np.frombuffer(buffer, np.uint8)
    with path.open("rb", buffering=0) as handle, memoryview(buffer) as view:
        handle.seek(start)
        while left and (size := handle.readinto(view[: min(left, _CHUNK)])):
            digest.update(view[:size])
            lines += int(np.count_nonzero(cells[:size] == _LINE_FEED))
            left -= size
    return digest.digest(), lines


def _reason(path: Path, error: OSError) -> str:
    return f"{path}: cannot be read: {os.strerror(error.errno or 0).lower()}"


def unreadable(path: Path, error: OSError) -> FileProblem:
    """An operating system error as a problem of that file."""
    return FileProblem(path, "file_unreadable", _reason(path, error))
