"""Land: every file of the exports that has not landed yet, whole, into the lake."""

from __future__ import annotations

import hashlib
import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.configuration.load_settings import ExportSettings, Loaded
from pipelines.configuration.meter_list import load_meters
from pipelines.sources.amounts import quality_macro
from pipelines.sources.staged import FileTask
from pipelines.stages.land.found_files import FoundFile, expect_files, find_files
from pipelines.stages.land.lake_parts import landing_folder, move_in, sweep_up, take_out
from pipelines.stages.land.land_file import Landing, land_file
from pipelines.stages.land.read_findings import compare_clocks
from pipelines.stages.land.restate import latest_scale, restate
from pipelines.store import ledger
from pipelines.store.file_stamp import (
    FileProblem,
    FileStamp,
    content_hash,
    unreadable,
)
from pipelines.store.lake_partition import LakePartition
from pipelines.store.ledger import LandedPart
from pipelines.store.open_connections import interruptible
from pipelines.store.warehouse import LANDING_MEMORY, connect, work_database
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Progress
from rightsize.errors import ConfigError, StoreError

_READING_VERSION: Final = 1
"""Raised when the same bytes would land as other reads; every file is then read again."""


@dataclass(frozen=True)
class LandedFile:
    """One file that this run landed."""

    path: Path
    export_name: str
    file_hash: str
    rows_landed: int
    rows_accepted: int
    rows_rejected: int
    gal_landed: float
    gal_accepted: float
    gal_rejected: float
    partitions: tuple[LakePartition, ...]
    problem: str | None  # what of the file could not be read
    note: str | None  # what was read, but should be looked at


@dataclass(frozen=True)
class LandSummary:
    """What this run landed, left alone and could not read."""

    files: tuple[LandedFile, ...]
    known_files: int
    problems: tuple[FileProblem, ...]

    @property
    def touched(self) -> frozenset[LakePartition]:
        """Lake partitions that got new files."""
        return frozenset(p for f in self.files for p in f.partitions)

    @property
    def rows_landed(self) -> int:
        """Rows of the files landed now."""
        return sum(f.rows_landed for f in self.files)

    @property
    def rows_accepted(self) -> int:
        """Rows now in the lake."""
        return sum(f.rows_accepted for f in self.files)

    @property
    def rows_rejected(self) -> int:
        """Rows refused, each with its rule and line."""
        return sum(f.rows_rejected for f in self.files)

    @property
    def unread(self) -> tuple[str, ...]:
        """What could not be read: whole files, and the rest of files that landed in part."""
        in_part = (f"landed in part: {f.problem}" for f in self.files if f.problem)
        return (*(f"not landed: {p.message}" for p in self.problems), *in_part)


@dataclass(frozen=True)
class _Run:
    """What every file of one run is landed with; `landed` grows with each file."""

    loaded: Loaded
    workspace: Workspace
    work: duckdb.DuckDBPyConnection
    meters: pl.DataFrame
    buckets: int
    seen: dict[str, tuple[int, int, str]]  # size, time of change and content, by path
    landed: set[str]
    generations: dict[str, int]  # how often a content is to be read again


def land(
    loaded: Loaded, workspace: Workspace, *, progress: Progress | None = None
) -> LandSummary:
    """Land every new file of the exports, in the order of exports and of names.

    A file is known by its content and by how it is read: the same bytes under another name
    are left alone; a changed unit, zone or column mapping reads them again in place of the
    former reading.

    Raises
    ------
    ConfigError
        If an export names no file at all, or none of its files has the needed columns.
    """
    for export in loaded.settings.exports:
        quality_macro(export)  # refuses codes of no known quality before anything is read
    workspace.create()
    meters = load_meters(loaded.file(loaded.settings.meters), loaded.settings.class_codes)
    found, problems = find_files(loaded)
    with work_database(workspace) as work:
        ledger.prepare(work)
        sweep_up(work, workspace)
        buckets = ledger.bucket_count(work, loaded.settings.buckets, meters.frame.height)
        expect_files(loaded, work, found, problems)
        work.register("known_meter", latest_scale(meters.frame).to_arrow())
        problems += restate(workspace, work, found, buckets)
        run = _Run(
            loaded=loaded,
            workspace=workspace,
            work=work,
            meters=meters.frame,
            buckets=buckets,
            seen=ledger.known_content(work),
            landed=ledger.landed_hashes(work),
            generations=ledger.generations(work),
        )
        files, known, more = _land_all(run, found, progress)
        compare_clocks(workspace, work, {p for f in files for p in f.partitions})
        ledger.record_problems(work, [*problems, *more])
    return LandSummary(tuple(files), known, (*problems, *more))


def _land_all(
    run: _Run, found: list[FoundFile], progress: Progress | None
) -> tuple[list[LandedFile], int, list[FileProblem]]:
    files: list[LandedFile] = []
    problems: list[FileProblem] = []
    sequence = ledger.next_landed_seq(run.work)
    known = 0
    if progress:
        progress("land", 0, len(found))
    for done, item in enumerate(found, start=1):
        outcome = _land_one(run, item, landed_seq=sequence)
        if isinstance(outcome, LandedFile):
            files.append(outcome)
            run.landed.add(outcome.file_hash)
            sequence += 1
        elif isinstance(outcome, FileProblem):
            problems.append(outcome)
        else:
            known += 1
        if progress:
            progress("land", done, len(found))
    _refuse_hopeless(found, files, known, problems)
    return files, known, problems


def _refuse_hopeless(
    found: list[FoundFile], files: list[LandedFile], known: int, problems: list[FileProblem]
) -> None:
    """Wrong columns in every file there is are the configuration's fault."""
    wrong = [p for p in problems if p.code == "file_columns"]
    if found and wrong and not files and not known and len(wrong) == len(found):
        raise ConfigError(wrong[0].message)


def _land_one(
    run: _Run, item: FoundFile, *, landed_seq: int
) -> LandedFile | FileProblem | None:
    """Land one file; None where it has landed before."""
    try:
        digest, lines = _content(item, run.seen)
    except OSError as error:
        return unreadable(item.path, error)
    read_as = _read_as(run.loaded, item.export, run.buckets, run.generations.get(digest, 0))
    file_hash = hashlib.sha256(f"{digest} {read_as}".encode()).hexdigest()[:32]
    if file_hash in run.landed:
        if lines is not None:  # hashed just now: another name, or touched
            ledger.remember_path(run.work, item.stamp, digest)
        return None
    if lines is None:
        digest, lines = content_hash(item.path)
    aside = landing_folder(run.workspace) / file_hash
    landing = Landing(
        task=FileTask(
            item.path,
            item.path,
            item.export,
            lines,
            aside,
            zone=item.export.timezone or run.loaded.settings.timezone,
        ),
        file_hash=file_hash,
        content_hash=digest,
        read_as=read_as,
        landed_seq=landed_seq,
        now_at=ledger.now_utc(run.work),
        utility_zone=run.loaded.settings.timezone,
        bucket_count=run.buckets,
    )
    try:
        outcome = _enter(run.workspace, run.work, item, landing, run.meters)
    except duckdb.InterruptException:
        raise  # a stop says nothing of the file
    except StoreError:
        raise  # of the lake; the folder stays and tells the next landing what to take back
    except (OSError, duckdb.Error, ConfigError) as error:
        outcome = _as_problem(item, error)
    shutil.rmtree(aside, ignore_errors=True)
    return outcome


def _as_problem(item: FoundFile, error: Exception) -> FileProblem:
    if isinstance(error, OSError):
        return unreadable(item.path, error)
    if isinstance(error, ConfigError):
        return FileProblem(item.path, "file_columns", str(error))
    first = str(error).splitlines()[0]
    return FileProblem(item.path, "file_unreadable", f"{item.path}: cannot be read: {first}")


def _content(item: FoundFile, seen: dict[str, tuple[int, int, str]]) -> tuple[str, int | None]:
    before = seen.get(str(item.path))
    if before is not None and before[:2] == (item.stamp.bytes, item.stamp.modified_ns):
        return before[2], None
    return content_hash(item.path)


def _read_as(loaded: Loaded, export: ExportSettings, buckets: int, generation: int) -> str:
    """What decides how a file's bytes become reads, as one short hash."""
    settings = export.model_dump(mode="json", exclude={"name", "path"})
    parts = [_READING_VERSION, settings, loaded.settings.timezone, buckets]
    parts += [generation] if generation else []
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:12]


def _enter(
    workspace: Workspace,
    work: duckdb.DuckDBPyConnection,
    item: FoundFile,
    landing: Landing,
    meters: pl.DataFrame,
) -> LandedFile | FileProblem:
    shutil.rmtree(landing.task.aside, ignore_errors=True)
    landing.task.aside.mkdir(parents=True)
    database = connect(spill=workspace.scratch, usual_memory=LANDING_MEMORY)
    with interruptible(database) as connection:
        connection.register("known_meter", latest_scale(meters).to_arrow())
        row, parts, names = land_file(connection, landing)
    if FileStamp.of(item.path) != item.stamp:
        return FileProblem(
            item.path,
            "file_growing",
            f"{item.path}: changed while it was read; left for the next sweep",
        )
    replaced = ledger.earlier_reading_of(work, landing.content_hash, item.export.name)
    if replaced:
        (landing.task.aside / "replaces").write_text(replaced, encoding="utf-8")
    try:
        move_in(landing.task.aside, workspace)
        ledger.record_landing(work, row, parts, replaces=replaced)
    except Exception:
        take_out(landing.file_hash, workspace)
        raise
    ledger.remember_path(work, item.stamp, landing.content_hash)
    ledger.keep_multipliers(work, names)
    if replaced:
        take_out(replaced, workspace)
    return _summary(item, row, parts)


def _summary(item: FoundFile, row: dict[str, Any], parts: list[LandedPart]) -> LandedFile:
    return LandedFile(
        path=item.path,
        export_name=item.export.name,
        file_hash=row["file_hash"],
        rows_landed=row["rows_landed"],
        rows_accepted=row["rows_accepted"],
        rows_rejected=row["rows_rejected"],
        gal_landed=row["gal_landed"],
        gal_accepted=row["gal_accepted"],
        gal_rejected=row["gal_rejected"],
        partitions=tuple(LakePartition(p.kind, p.month, p.bucket) for p in parts),
        problem=row["problem"],
        note=row["note"],
    )
