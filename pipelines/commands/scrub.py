"""`health --deep`: verify every file of a workspace, and name each that is damaged.

Nothing is changed. A sweep verifies what it reads; this reads what no sweep has to, such as
lake files of months whose profiles are made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import duckdb

from pipelines.commands.health import Check
from pipelines.commands.health import State as Level
from pipelines.stages.publish.history import read_through
from pipelines.stages.publish.publication_note import is_as_published, noted_checksums
from pipelines.store.checksum import State, cure, state_of, unsealed_json
from pipelines.store.lake_partition import LAKE_FOLDERS, PARTITION_FOLDERS, LakePartition
from pipelines.store.storage import Storage
from pipelines.store.warehouse import WORK_CURE, damage_of, not_opened
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Progress
from rightsize.errors import DamageError, StoreError, WorkspaceBusyError

_AT_ONCE: Final = 64  # files of an object store that are on this disk at once
_THREADS: Final = 8
_SHOWN: Final = 20


@dataclass(frozen=True)
class Scrubbed:
    """What was found of one kind of file."""

    name: str
    count: int
    unsealed: int
    damage: tuple[str, ...]

    def as_check(self) -> Check:
        """As a check of `health`."""
        if not self.damage:
            text = f"{self.count:,} verified"
            if self.unsealed:
                text += f", of them {self.unsealed:,} of an earlier version without checksum"
            return Check(self.name, Level.ok, text)
        more = len(self.damage) - _SHOWN
        shown = [*self.damage[:_SHOWN], *([f"and {more:,} more"] if more > 0 else [])]
        return Check(self.name, Level.failing, "\n".join(shown))


def scrub(workspace: Workspace, progress: Progress | None = None) -> list[Check]:
    """Verify lake, rejected rows, profiles, partial results, databases, published copies.

    Raises
    ------
    WorkspaceBusyError
        If a sweep is running: files come and go then.
    """
    if (holder := workspace.holder()) is not None:
        raise WorkspaceBusyError(
            f"workspace {workspace.root} is in use by process {holder.pid} on {holder.host}; "
            "verify its files when it has ended"
        )
    storage = workspace.storage
    groups: list[tuple[str, Storage | None, list[Path]]] = [
        ("lake", storage, storage.files(workspace.lake, f"{LAKE_FOLDERS}/*.parquet")),
        ("flow logs", storage, storage.files(workspace.flow_logs, "*.parquet")),
        ("rejected", None, _found(workspace.rejected, "*.parquet")),
        (
            "profiles",
            storage,
            storage.files(workspace.profile, f"{PARTITION_FOLDERS}/*/*.parquet"),
        ),
        ("partial results", None, _found(workspace.assess, "*/*/*.parquet")),
        (
            "published copies",
            None,
            _found(workspace.published / "parquet-versions", "*/**/*.parquet"),
        ),
    ]
    total = sum(len(files) for _, _, files in groups) + 2
    done = 0

    def step(count: int) -> None:
        nonlocal done
        done += count
        if progress:
            progress("scrub", done, total)

    found = [_scrubbed(name, storage, files, step) for name, storage, files in groups]
    found += [_learnt(workspace), _ledger(workspace), _results(workspace)]
    step(2)
    return [group.as_check() for group in found]


def _found(folder: Path, pattern: str) -> list[Path]:
    return sorted(p for p in folder.glob(pattern) if p.name[0] != "." and p.is_file())


def _scrubbed(
    name: str, storage: Storage | None, files: Sequence[Path], step: Callable[[int], None]
) -> Scrubbed:
    damage, unsealed = [], 0
    for start in range(0, len(files), _AT_ONCE):
        batch = files[start : start + _AT_ONCE]
        with ThreadPoolExecutor(_THREADS) as hands:
            states = list(hands.map(partial(_state, storage), batch))
        unsealed += states.count(State.unsealed)
        damage += [
            f"{file} is damaged; {cure(file)}"
            for file, state in zip(batch, states, strict=True)
            if state is State.damaged
        ]
        step(len(batch))
    return Scrubbed(name, len(files), unsealed, tuple(damage))


def _state(storage: Storage | None, file: Path) -> State:
    """A file's state where it lies; one of an object store is fetched, which verifies it."""
    if file.is_file():
        return state_of(file)
    if storage is None:
        return State.damaged
    try:
        with storage.at_hand([file]) as here:
            return state_of(here[file])
    except StoreError:
        raise
    except DamageError:
        return State.damaged


def _learnt(workspace: Workspace) -> Scrubbed:
    path = workspace.learnt
    if not path.is_file():
        return Scrubbed("learned priors", 0, 0, ())
    whole = unsealed_json(path.read_text(encoding="utf-8", errors="replace")) is not None
    damage = () if whole else (f"{path} is damaged; the next sweep makes it again",)
    return Scrubbed("learned priors", 1, 0, damage)


def _ledger(workspace: Workspace) -> Scrubbed:
    """The working database, block by block, and the files that it says the lake holds."""
    path = workspace.database
    if not path.is_file():
        return Scrubbed("working database", 0, 0, ())
    try:
        with duckdb.connect(str(path), read_only=True) as work:
            read_through(work, path.stem)
            return Scrubbed("working database", 1, 0, tuple(_missing(workspace, work)))
    except duckdb.Error as error:
        told = not_opened(path, error, WORK_CURE)
        if isinstance(told, WorkspaceBusyError):
            raise told from None
        return Scrubbed("working database", 1, 0, (str(told),))


def _missing(workspace: Workspace, work: duckdb.DuckDBPyConnection) -> Iterator[str]:
    known = work.execute(
        "select 1 from duckdb_tables() where table_name = 'landed_partition'"
    ).fetchone()
    if not known:
        return
    there = set(workspace.storage.files(workspace.lake, f"{LAKE_FOLDERS}/*.parquet"))
    rows = work.execute(
        "select kind, month, bucket, file_hash from ledger.landed_partition order by all"
    ).fetchall()
    landed = [
        workspace.lake / LakePartition(kind, month, bucket).path / f"{name}.parquet"
        for kind, month, bucket, name in rows
    ]
    there |= set(workspace.storage.files(workspace.flow_logs, "*.parquet"))
    landed += [workspace.flow_logs / f"{name}.parquet" for name in _landed_logs(work)]
    yield from (f"{path} is missing; {cure(path)}" for path in landed if path not in there)


def _landed_logs(work: duckdb.DuckDBPyConnection) -> list[str]:
    """Names of the logs in the lake; a database of an earlier version has none."""
    try:
        rows = work.execute(
            "select file_hash from ledger.landed_flow_log order by 1"
        ).fetchall()
    except duckdb.CatalogException:
        return []
    return [name for (name,) in rows]


def _results(workspace: Workspace) -> Scrubbed:
    """The published file as published; where another program wrote to it, block by block."""
    path = workspace.results
    if not path.is_file():
        return Scrubbed("published results", 0, 0, ())
    unsealed = 0 if noted_checksums(workspace.published) else 1
    if not unsealed and is_as_published(path):
        return Scrubbed("published results", 1, 0, ())
    try:
        with duckdb.connect(str(path), read_only=True) as results:
            read_through(results, path.stem)
    except duckdb.Error as error:
        return Scrubbed("published results", 1, unsealed, (str(damage_of(path, error)),))
    return Scrubbed("published results", 1, unsealed, ())
