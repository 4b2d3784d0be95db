"""Publish: build the results aside, verify them, put them in place in one step.

The database is built in a hidden folder of `published/`, checked there, and put in place by
`os.replace` as the very last step: a reader opens the publication before or this one, whole,
and one that holds the old file open keeps it. A crash at any moment leaves the old publication
and a hidden folder, which the next publication removes.

The Parquet twin is shown just before, by the same kind of step on a link: see
`pipelines.publication.parquet_twin`. Each of the two is whole at every moment.
"""

from __future__ import annotations

import os
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

import duckdb

from pipelines.publication.build import Build, transaction
from pipelines.publication.history import STORAGE_VERSION, Retention, open_with_history
from pipelines.publication.parquet_twin import flush, folder_in_place, write_twin
from pipelines.publication.verify import verify
from pipelines.stages.reconcile import SweepInputs
from pipelines.workspace import Workspace
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.units import UnitSystem

KEEP_DETAIL_SWEEPS: Final = 2
MEMORY_LIMIT: Final = "3GB"
_ASIDE: Final = ".aside-"


@dataclass(frozen=True)
class PublishSummary:
    """What was put in place: where, and rows by table, history included."""

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
    units: UnitSystem = "us",
    keep_sweeps: int = 36,
    keep_detail_sweeps: int = KEEP_DETAIL_SWEEPS,
    threads: int | None = None,
) -> PublishSummary:
    """Put the sweep's results, and the history kept, before the readers.

    Parameters
    ----------
    keep_sweeps : int
        Sweeps of history kept, this one included.
    keep_detail_sweeps : int
        The same for the bulky tables, candidate and flow_band.

    Raises
    ------
    ContractError
        If a check fails; the text says which. The publication before stays as it was.
    """
    began = time.monotonic()
    retention = Retention(keep_sweeps, keep_detail_sweeps)
    previous_twin = folder_in_place(workspace.published)
    with _folder_aside(workspace.published) as aside:
        database = aside / workspace.results.name
        connection = open_with_history(
            workspace.results,
            database,
            partial(_connect, threads=threads),
            sweep_id=sweep.sweep_id,
            units=units,
            retention=retention,
        )
        with closing(connection):
            build = Build(connection, workspace, sweep, units)
            build.insert_sweep(reconciliation, inputs)
            with transaction(connection):
                build.create_views()
                build.say_meanings()
            rows = verify(build)
            connection.execute("checkpoint")
            twin = write_twin(
                connection, aside, workspace.published, sweep_id=sweep.sweep_id, units=units
            )
        flush(database)
        twin.put_in_place()
        os.replace(database, workspace.results)
        flush(workspace.published)
        twin.drop_others(previous_twin)
    return PublishSummary(
        sweep.sweep_id, workspace.results, twin.link, rows, time.monotonic() - began
    )


@contextmanager
def _folder_aside(published: Path) -> Iterator[Path]:
    """A hidden folder on the same disk; those that a crash left are removed."""
    published.mkdir(parents=True, exist_ok=True)
    for stale in published.glob(f"{_ASIDE}*"):
        shutil.rmtree(stale, ignore_errors=True)
    aside = published / f"{_ASIDE}{uuid.uuid4().hex}"
    aside.mkdir()
    try:
        yield aside
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _connect(database: Path, *, threads: int | None) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(
        str(database),
        config={
            "storage_compatibility_version": STORAGE_VERSION,
            "memory_limit": MEMORY_LIMIT,
            "temp_directory": str(database.parent / "scratch"),
            "preserve_insertion_order": False,
            "threads": threads or os.cpu_count() or 1,
        },
    )
    connection.execute("set TimeZone = 'UTC'")
    return connection
