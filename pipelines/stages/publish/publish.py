"""Publish: build the results in a hidden folder, verify them, put them in place in one step.

The database is built in a hidden folder of `published/`, checked there, and put in place by
`os.replace` as the last step: a reader opens the old or the new publication, always complete,
and one that has the old file open keeps it. A crash leaves the old publication and a hidden
folder, which the next publication removes.

The Parquet copy is put in place just before by replacing a link: see
`pipelines.stages.publish.parquet_copy`. Each of the two is complete at all times.
"""

from __future__ import annotations

import os
import shutil
import time
import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Final

import duckdb

from pipelines.stages.publish.build import Build, transaction
from pipelines.stages.publish.held_contract import STORAGE_VERSION
from pipelines.stages.publish.history import open_with_history
from pipelines.stages.publish.parquet_copy import ParquetCopyWriter, begin_copy, flush
from pipelines.stages.publish.publication_note import (
    note_checksums,
    noted_checksums,
    noted_rows,
)
from pipelines.stages.publish.retention import HeldSweep, Retention
from pipelines.stages.publish.same_rows import rests_on
from pipelines.stages.publish.verify import verify
from pipelines.stages.reconcile import SweepInputs
from pipelines.store.checksum import digest_of
from pipelines.store.open_connections import interruptible
from pipelines.store.workspace import Workspace
from rightsize.contracts.results import LARGEST_TABLE, RESULT_TABLES
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.units import UnitSystem

MEMORY_LIMIT: Final = "3GB"
_ASIDE: Final = ".aside-"


@dataclass(frozen=True)
class PublishSummary:
    """What was published: path, and rows by table including history."""

    sweep_id: str
    results: Path
    parquet: Path
    rows: dict[str, int]
    seconds: float


def publish(
    workspace: Workspace,
    sweep: SweepRecord,
    reconciliation: Reconciliation,
    inputs: SweepInputs,
    *,
    units: UnitSystem,
    retention: Retention = Retention(),
) -> PublishSummary:
    """Publish the sweep's results and the history that is kept.

    Parameters
    ----------
    retention
        How much of the history is kept.

    Raises
    ------
    ContractError
        If a check fails; the text says which. The previous publication is unchanged.
    """
    began = time.monotonic()
    now = rests_on(workspace, sweep, units)
    with _folder_aside(workspace.published) as aside:
        database = aside / workspace.results.name
        connection, held_tables = open_with_history(
            workspace.results,
            database,
            _connect,
            newest=HeldSweep(sweep.sweep_id, f"{sweep.started_at.astimezone(UTC):%Y-%m}"),
            units=units,
            retention=retention,
            now=now,
        )
        with interruptible(connection):
            build = Build(connection, workspace, sweep, units, held_tables)
            with transaction(connection):
                build.create_views()
                build.say_meanings()
            writer = begin_copy(
                aside, workspace.published, sweep_id=sweep.sweep_id, units=units
            )
            rows = _fill(build, writer, reconciliation, inputs)
            connection.execute("checkpoint")
        copy = writer.finished()
        flush(database)
        digest, held = digest_of(database), noted_checksums(workspace.published)
        noted = noted_rows(workspace.published) | {sweep.sweep_id: now}
        rows_of = {s: noted[s] for s in sorted(noted)[-retention.detail_sweeps :]}
        note_checksums(workspace.published, [digest, *held], rows_of)
        workspace.show_to_group(aside)
        previous_copy = copy.put_in_place()
        os.replace(database, workspace.results)
        note_checksums(workspace.published, [digest], rows_of)
        flush(workspace.published)
        copy.drop_others(previous_copy)
    return PublishSummary(
        sweep.sweep_id, workspace.results, copy.link, rows, time.monotonic() - began
    )


def _fill(
    build: Build, copy: ParquetCopyWriter, reconciliation: Reconciliation, inputs: SweepInputs
) -> dict[str, int]:
    """Rows and Parquet files of the sweep, verified; rows by table.

    A second thread with a connection of its own puts in the rows of the largest table and
    writes its file, beside the rows of all others, and then their files, beside the checks.
    """
    beside = build.beside()
    with interruptible(beside.connection), ThreadPoolExecutor(max_workers=1) as second:
        largest = second.submit(beside.insert_largest)
        file = second.submit(copy.write_table, beside.connection, LARGEST_TABLE)
        build.insert_sweep(reconciliation, inputs)
        largest.result()
        others = second.submit(_write_others, copy, beside.connection)
        rows = verify(build)
        file.result()
        others.result()
    return rows


def _write_others(copy: ParquetCopyWriter, connection: duckdb.DuckDBPyConnection) -> None:
    for table in RESULT_TABLES:
        if table is not LARGEST_TABLE:
            copy.write_table(connection, table)
    copy.write_latest(connection)


@contextmanager
def _folder_aside(published: Path) -> Iterator[Path]:
    """A hidden folder on the same disk; leftovers of a crash are removed."""
    published.mkdir(parents=True, exist_ok=True)
    for stale in published.glob(f"{_ASIDE}*"):
        shutil.rmtree(stale, ignore_errors=True)
    aside = published / f"{_ASIDE}{uuid.uuid4().hex}"
    aside.mkdir()
    try:
        yield aside
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _connect(database: Path) -> duckdb.DuckDBPyConnection:
    """One thread per statement: rows keep their order, so files are identical each time."""
    connection = duckdb.connect(
        str(database),
        config={
            "storage_compatibility_version": STORAGE_VERSION,
            "memory_limit": MEMORY_LIMIT,
            "temp_directory": str(database.parent / "scratch"),
            "threads": 1,
        },
    )
    connection.execute("set TimeZone = 'UTC'")
    return connection
