"""Checksums of the workspace's own files: written with a file, verified whenever it is read.

A Parquet file carries its checksum between its last page and its footer. Readers find pages by
their distance from the start and the footer from the end, so any of them reads such a file. The
footer says that there is a checksum: a file that lost it is damaged. Small JSON documents carry
theirs as a key. DuckDB's own databases have one for each block, which DuckDB verifies.

A file of a version that wrote no checksums has none, and is read as it is.
"""

from __future__ import annotations

import enum
import json
from collections.abc import Iterable
from io import FileIO
from pathlib import Path
from typing import Any, Final

from blake3 import blake3

from rightsize.errors import DamageError

KEY: Final = "rightsize.checksum"
PROMISE: Final = {KEY: "blake3"}
"""Metadata of a Parquet file that will be sealed."""
PROMISED: Final = f"kv_metadata {{'{KEY}': 'blake3'}}"
"""The same as an option of DuckDB's `copy`."""
JSON_KEY: Final = "checksum"

_MAGIC: Final = b"rightsizeBLAKE3:"
_DIGEST_BYTES: Final = 32
_SEAL_BYTES: Final = len(_MAGIC) + _DIGEST_BYTES
_TAIL_BYTES: Final = 8  # of every Parquet file: length of the footer, and PAR1
_PARQUET: Final = b"PAR1"
_CHUNK: Final = 1 << 20
_SEARCHED: Final = 1 << 20  # bytes at the end in which a lost seal is looked for


class State(enum.Enum):
    """What a file's checksum says of it."""

    whole = "whole"
    damaged = "damaged"
    unsealed = "without checksum"


def seal(path: Path) -> None:
    """Write the checksum into a Parquet file that was just written with `PROMISE`."""
    with path.open("r+b", buffering=0) as file:
        size = path.stat().st_size
        file.seek(size - _TAIL_BYTES)
        place = size - _TAIL_BYTES - int.from_bytes(file.read(_TAIL_BYTES)[:4], "little")
        file.seek(place)
        footer = file.read(size - place)
        digest = blake3(_hashed(file, 0, place).digest() + footer).digest()
        file.seek(place)
        file.write(_MAGIC + digest + footer)


def state_of(path: Path) -> State:
    """Whether a Parquet file is as it was written.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb", buffering=0) as file:
        size = path.stat().st_size
        file.seek(max(size - _TAIL_BYTES, 0))
        tail = file.read(_TAIL_BYTES)
        place = size - _TAIL_BYTES - int.from_bytes(tail[:4], "little") - _SEAL_BYTES
        if tail[4:] != _PARQUET:
            return State.damaged
        if place > 0:
            file.seek(place)
            said, footer = file.read(_SEAL_BYTES), file.read(size - place - _SEAL_BYTES)
            if said.startswith(_MAGIC):
                found = blake3(_hashed(file, 0, place).digest() + footer).digest()
                return State.whole if said == _MAGIC + found else State.damaged
        file.seek(max(size - _SEARCHED, 0))
        end = file.read(_SEARCHED)
    is_sealed = KEY.encode() in end or _MAGIC in end
    return State.damaged if is_sealed else State.unsealed


def check(files: Iterable[tuple[Path, Path]]) -> None:
    """Reject damaged Parquet files, given as name and local path.

    Raises
    ------
    DamageError
        Naming the first one and what to do.
    """
    for name, path in files:
        try:
            state = state_of(path)
        except FileNotFoundError:
            raise DamageError(f"{name} is missing; {cure(name)}") from None
        if state is State.damaged:
            raise DamageError(
                f"{name} is damaged: its content does not match its checksum; {cure(name)}"
            )


def check_here(files: Iterable[Path | str]) -> None:
    """The same for files that are where they are named."""
    check((Path(file), Path(file)) for file in files)


def digest_of(path: Path) -> str:
    """Checksum of any whole file."""
    with path.open("rb", buffering=0) as file:
        return _hashed(file, 0, None).hexdigest()


def cure(name: Path) -> str:
    """What to do about a damaged file, by its place below the workspace."""
    parts = set(name.parts[-7:])
    if {"interval_read", "register_read", "flow_log"} & parts or name.parent.name == "rejected":
        return LAKE_CURE
    for place, told in _CURES.items():
        if place in parts:
            return told
    return "restore it from a backup of the workspace"


LAKE_CURE: Final = (
    "restore it from a backup of the workspace (such files never change), or move it away and "
    "run a sweep: its export lands again if it still exists"
)
_CURES: Final = {
    "register_meters": "remove it and run a sweep: it is made again",
    "profile": "run a sweep: it is made again from the lake (from an object store: `--full`)",
    "assess": "run a sweep: its accounts are assessed again",
    "published": "run `rightsize sweep --full`: it is published again",
}


def sealed_json(document: dict[str, Any]) -> str:
    """A JSON document with its checksum in it."""
    return json.dumps({**document, JSON_KEY: _json_digest(document)})


def unsealed_json(text: str) -> dict[str, Any] | None:
    """The document, without its checksum; None if it is damaged."""
    try:
        document = json.loads(text)
        said = document.pop(JSON_KEY)
        return document if said == _json_digest(document) else None
    except (ValueError, TypeError, AttributeError, KeyError, RecursionError):
        return None


def _json_digest(document: dict[str, Any]) -> str:
    return blake3(json.dumps(document, sort_keys=True).encode()).hexdigest()


def _hashed(file: FileIO, start: int, end: int | None) -> blake3:
    """The hash of a part of a file, or of all to its end."""
    found, buffer = blake3(), bytearray(_CHUNK)
    left = _CHUNK if end is None else end - start
    file.seek(start)
    with memoryview(buffer) as view:
        while left and (count := file.readinto(view[: min(left, _CHUNK)])):
            found.update(view[:count])
            left -= 0 if end is None else count
    return found
