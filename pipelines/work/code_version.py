"""The code version of a result: the release, and a hash of the sources that affect results."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Final

import rightsize
from pipelines.store.resources import data_root

ROOMS_THAT_DECIDE_NOTHING: Final = (
    "pipelines/cli.py",
    "pipelines/commands",
    "pipelines/demo",
    "pipelines/handbook",
    "pipelines/pages",
    "pipelines/service",
    "rightsize/campaign",
    "rightsize/evidence",
    "rightsize/handbook",
    "sql/80_campaign",
    "sql/80_cookbook",
    "sql/80_program",
    "sql/80_summary",
    "sql/85_evidence",
    "sql/90_observe",
)
"""Rooms that show results or start work, and cannot change a result. A new room counts until
it is named here; `tests/architecture/test_rooms.py` fails when a room that decides imports
one of these."""

_DECIDE: Final = ("*.py", "*.sql", "*.bin")
_DRAWS_PAGES: Final = (
    "pipelines/pages",
    "pipelines/stages/publish/newest.py",
    "rightsize/evidence",
    "sql/85_evidence",
)


@cache
def code_version() -> str:
    """Release and digest, e.g. `0.1.0+4f1c9a20`: a changed line is another version."""
    digest = hashlib.sha256()
    for name, path in sorted(deciding_sources().items()):
        digest.update(name.encode())
        digest.update(path.read_bytes())
    return f"{rightsize.__version__}+{digest.hexdigest()[:8]}"


@cache
def pages_version() -> str:
    """Digest of what draws the pages: they are drawn again after a change of it."""
    digest = hashlib.sha256()
    for name, path in sorted(_files("*").items()):
        if _is_in(name, _DRAWS_PAGES):
            digest.update(name.encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def deciding_sources() -> dict[str, Path]:
    """Sources that may change a result, by their path in the project."""
    return {
        name: path
        for name, path in {k: p for kind in _DECIDE for k, p in _files(kind).items()}.items()
        if not _is_in(name, ROOMS_THAT_DECIDE_NOTHING)
    }


def _files(kind: str) -> dict[str, Path]:
    roots = {
        "rightsize": Path(rightsize.__file__).resolve().parent,
        "pipelines": Path(__file__).resolve().parents[1],
        "sql": data_root() / "sql",
    }
    return {
        f"{name}/{path.relative_to(root).as_posix()}": path
        for name, root in roots.items()
        for path in root.rglob(kind)
        if path.is_file() and path.suffix != ".pyc" and "_data" not in path.parts
    }


def _is_in(name: str, rooms: Iterable[str]) -> bool:
    return any(name == room or name.startswith(f"{room}/") for room in rooms)
