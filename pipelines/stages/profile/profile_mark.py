"""Whether a profile on disk is complete and matches its name.

`made.json` in a profile's folder has the profile's name and a hash of each file. A profile that
was damaged, lost a file or is in the wrong folder does not match it, and
is made again from the lake. In an object store, which keeps objects whole, none is looked for.
"""

from __future__ import annotations

import json
import logging
import shutil
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Final

import polars as pl
from blake3 import blake3

from pipelines.store.storage import write_text
from pipelines.work.observe import event

MARK: Final = "made.json"
_THREADS: Final = 8


def mark(folder: Path, name: Path, tables: Iterable[str]) -> None:
    """Write the profile's name and the hashes of its files to its folder."""
    hashes = {table: _hash(folder / f"{table}.parquet") for table in tables}
    write_text(folder / MARK, json.dumps({"name": _place(name), "files": hashes}))


def drop_damaged(folders: Iterable[Path], tables: tuple[str, ...]) -> set[Path]:
    """Remove incomplete profiles; returns their folders."""
    ordered = sorted(folders)
    with ThreadPoolExecutor(_THREADS) as hands:
        whole = hands.map(partial(_is_whole, tables=tables), ordered)
        damaged = {f for f, is_whole in zip(ordered, whole, strict=True) if not is_whole}
    for folder in sorted(damaged):
        event("profile damaged, rebuilding", level=logging.WARNING, profile=_place(folder))
        shutil.rmtree(folder)
    return damaged


def _is_whole(folder: Path, tables: tuple[str, ...]) -> bool:
    try:
        if not (folder / MARK).is_file():
            return _adopted(folder, tables)
        said = json.loads((folder / MARK).read_text(encoding="utf-8"))
        hashes = {table: _hash(folder / f"{table}.parquet") for table in tables}
    except (OSError, ValueError, RecursionError):
        return False
    return bool(said == {"name": _place(folder), "files": hashes})


def _adopted(folder: Path, tables: tuple[str, ...]) -> bool:
    """Mark a profile of a version without marks, if its files can be read."""
    try:
        for table in tables:
            pl.read_parquet(folder / f"{table}.parquet", glob=False)
    except (OSError, pl.exceptions.PolarsError):
        return False
    mark(folder, folder, tables)
    return True


def _place(folder: Path) -> str:
    return "/".join(folder.parts[-3:])


def _hash(path: Path) -> str:
    return blake3(path.read_bytes()).hexdigest()
