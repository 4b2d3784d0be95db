"""Land: load every new export file into the lake."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from pipelines.configuration.load_settings import Loaded
from pipelines.configuration.meter_list import meters_of
from pipelines.sources.amounts import quality_macro
from pipelines.sources.staged import FileTask
from pipelines.stages.land.file_identity import Places, content_of, manners_of, read_as_of
from pipelines.stages.land.found_files import FoundFile, expect_files, find_files, problem_of
from pipelines.stages.land.lake_parts import landing_folder, move_in, sweep_up, take_out
from pipelines.stages.land.land_file import Landing, land_file
from pipelines.stages.land.landing_database import LandingDatabase
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
from pipelines.store.open_connections import is_stop
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Progress
from rightsize.errors import BalanceError, ConfigError, StoreError


@dataclass(frozen=True)
class LandedFile:
    """One file that this run loaded."""

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
    note: str | None  # what was read but should be checked


@dataclass(frozen=True)
class LandSummary:
    """Files that this run loaded, skipped and could not read."""

    files: tuple[LandedFile, ...]
    known_files: int
    problems: tuple[FileProblem, ...]

    @property
    def touched(self) -> frozenset[LakePartition]:
        """Lake partitions that got new files."""
        return frozenset(p for f in self.files for p in f.partitions)

    @property
    def rows_landed(self) -> int:
        """Rows of the files loaded by this run."""
        return sum(f.rows_landed for f in self.files)

    @property
    def rows_accepted(self) -> int:
        """Rows accepted into the lake."""
        return sum(f.rows_accepted for f in self.files)

    @property
    def rows_rejected(self) -> int:
        """Rows rejected, each with its rule and line."""
        return sum(f.rows_rejected for f in self.files)

    @property
    def unread(self) -> tuple[str, ...]:
        """What could not be read: whole files, and the rest of partly loaded files."""
        in_part = (f"partly loaded: {f.problem}" for f in self.files if f.problem)
        return (*(f"not loaded: {p.message}" for p in self.problems), *in_part)


@dataclass(frozen=True)
class _Run:
    """Shared context for all files of one run; `landed` grows with each file."""

    loaded: Loaded
    workspace: Workspace
    work: duckdb.DuckDBPyConnection
    buckets: int
    seen: dict[str, tuple[FileStamp, str]]  # stamp and content hash, by path
    landed: set[str]
    generations: dict[str, int]  # how often each content must be read again
    places: Places
    read_by: dict[str, str]  # hash of all that decides how rows are read, by export
    ahead: Callable[[], None]
    scales: pa.Table  # the latest multiplier of each meter of the list
    database: LandingDatabase


def land(
    loaded: Loaded,
    workspace: Workspace,
    *,
    progress: Progress | None = None,
    ahead: Callable[[], None] | None = None,
) -> LandSummary:
    """Land every new file of the exports, in the order of exports and of names.

    A file is identified by its content and its settings: the same bytes under another name
    are skipped; with a changed unit, zone, multiplier or clock they are read again and replace
    the previous reads. A file keeps its first place in the order, however often it is read.
    `ahead` is called when the first new file is about to be read: what the next stage needs.

    Raises
    ------
    ConfigError
        If an export matches no file, or none of its files has the required columns.
    """
    for export in loaded.settings.exports:
        quality_macro(export)  # refuses codes of no known quality before anything is read
    workspace.create()
    meters = meters_of(loaded)
    found, problems = find_files(loaded)
    with work_database(workspace) as work:
        ledger.prepare(work)
        sweep_up(work, workspace)
        buckets = ledger.bucket_count(work, loaded.settings.buckets, meters.frame.height)
        expect_files(loaded, work, found, problems)
        scales = latest_scale(meters.frame).to_arrow()
        work.register("known_meter", scales)
        problems += restate(workspace, work, found, buckets)
        run = _Run(
            loaded=loaded,
            workspace=workspace,
            work=work,
            buckets=buckets,
            seen=ledger.known_content(work),
            landed=ledger.landed_hashes(work),
            generations=ledger.generations(work),
            places=Places(work),
            read_by=manners_of(loaded, buckets),
            ahead=cache(ahead or (lambda: None)),
            scales=scales,
            database=LandingDatabase(workspace.scratch),
        )
        with closing(run.database):
            files, known, more = _land_all(run, found, progress)
        compare_clocks(workspace, work, {p for f in files for p in f.partitions})
        ledger.record_problems(work, [*problems, *more])
    return LandSummary(tuple(files), known, (*problems, *more))


def _land_all(
    run: _Run, found: list[FoundFile], progress: Progress | None
) -> tuple[list[LandedFile], int, list[FileProblem]]:
    files: list[LandedFile] = []
    problems: list[FileProblem] = []
    known = 0
    if progress:
        progress("land", 0, len(found))
    for done, item in enumerate(found, start=1):
        outcome = _land_one(run, item)
        if isinstance(outcome, LandedFile):
            files.append(outcome)
            run.landed.add(outcome.file_hash)
        elif isinstance(outcome, FileProblem):
            problems.append(outcome)
            run.places.hold(item)
        else:
            known += 1
        if progress:
            progress("land", done, len(found))
    _refuse_hopeless(found, files, known, problems)
    return files, known, problems


def _refuse_hopeless(
    found: list[FoundFile], files: list[LandedFile], known: int, problems: list[FileProblem]
) -> None:
    """If every file has wrong columns, the configuration is wrong."""
    wrong = [p for p in problems if p.code == "file_columns"]
    if found and wrong and not files and not known and len(wrong) == len(found):
        raise ConfigError(wrong[0].message)


def _land_one(run: _Run, item: FoundFile) -> LandedFile | FileProblem | None:
    """Load one file; None if it was loaded before."""
    try:
        digest, lines = content_of(item, run.seen)
    except OSError as error:
        return unreadable(item.path, error)
    read_as = read_as_of(run.read_by[item.export.name], run.generations.get(digest, 0))
    file_hash = hashlib.sha256(f"{digest} {read_as}".encode()).hexdigest()[:32]
    if file_hash in run.landed:
        if lines is not None:  # hashed again: renamed, or touched
            ledger.remember_path(run.work, item.stamp, digest)
        return None
    run.ahead()
    if lines is None:
        digest, lines = content_hash(item.path)
    aside = landing_folder(run.workspace) / file_hash
    names = [export.name for export in run.loaded.settings.exports]
    replaced, place = ledger.earlier_reading(
        run.work, digest, str(item.path), item.export.name, names
    ) or (None, run.places.of(item))
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
        landed_seq=run.loaded.settings.tier(item.export.name) * ledger.TIER + place,
        now_at=ledger.now_utc(run.work),
        utility_zone=run.loaded.settings.timezone,
        bucket_count=run.buckets,
    )
    try:
        outcome = _enter(run, item, landing, replaced)
    except StoreError:
        raise  # of the lake; the folder stays and tells the next run what to remove
    except BalanceError:
        raise  # a bug of ours: stop
    except Exception as error:  # any other error: reported for this file; the others are loaded
        if is_stop(error):
            raise  # a stop is not a problem of the file
        outcome = problem_of(item, error)
    shutil.rmtree(aside, ignore_errors=True)
    return outcome


def _enter(
    run: _Run, item: FoundFile, landing: Landing, replaced: str | None
) -> LandedFile | FileProblem:
    workspace = run.workspace
    shutil.rmtree(landing.task.aside, ignore_errors=True)
    landing.task.aside.mkdir(parents=True)
    with run.database.connection(item.stamp.bytes) as connection:
        connection.register("known_meter", run.scales)
        landed = land_file(connection, landing)
    if FileStamp.of(item.path) != item.stamp:
        return FileProblem(
            item.path,
            "file_growing",
            f"{item.path}: changed while being read; the next sweep will load it",
        )
    if replaced:
        (landing.task.aside / "replaces").write_text(replaced, encoding="utf-8")
    try:
        move_in(landing.task.aside, workspace)
        ledger.record_landing(
            run.work,
            landed.row,
            landed.parts,
            bound=landed.bound,
            replaces=replaced,
            stamp=item.stamp,
            meters=landed.meters,
        )
    except Exception:
        take_out(landing.file_hash, workspace)
        raise
    if replaced:
        take_out(replaced, workspace)
    return _summary(item, landed.row, landed.parts)


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
