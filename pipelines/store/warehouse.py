"""DuckDB connections with sane limits, and the statements of `sql/` run on them."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.store.open_connections import interruptible
from pipelines.store.resources import sql_text
from pipelines.store.workspace import Workspace

DEFAULT_MEMORY: Final = "2GB"
"""Leaves the rest of the 4 GiB promise to Python and to the reader's buffers."""
LANDING_MEMORY: Final = "3.6GB"
"""A file's reads are held at once, 72 million of them in 3 GiB; beyond this they spill."""


def connect(
    database: Path | None = None,
    *,
    spill: Path | None = None,
    memory: str | None = None,
    usual_memory: str = DEFAULT_MEMORY,
    threads: int | None = None,
    read_only: bool = False,
) -> duckdb.DuckDBPyConnection:
    """A connection in UTC with a memory limit and a place to spill to.

    Parameters
    ----------
    database
        File to open; a database in memory where not given.
    spill
        Folder for what does not fit into memory; inside the workspace.
    memory
        Limit such as `3GB`; the environment's `RIGHTSIZE_MEMORY` or `usual_memory` where
        not given.
    threads
        The environment's `RIGHTSIZE_THREADS` or the processor count where not given.
    """
    limit = memory or os.environ.get("RIGHTSIZE_MEMORY", usual_memory)
    workers = threads or int(os.environ.get("RIGHTSIZE_THREADS", os.cpu_count() or 2))
    config: dict[str, Any] = {
        "threads": workers,
        "memory_limit": limit,
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
    }
    if spill is not None:
        spill.mkdir(parents=True, exist_ok=True)
        config["temp_directory"] = str(spill)
    connection = duckdb.connect(
        ":memory:" if database is None else str(database), read_only=read_only, config=config
    )
    connection.execute("set TimeZone = 'UTC'")
    connection.execute("set enable_progress_bar = false")
    return connection


@contextmanager
def work_database(workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """The working database, open for as long as the block runs."""
    workspace.root.mkdir(parents=True, exist_ok=True)
    with interruptible(connect(workspace.database, spill=workspace.scratch)) as connection:
        yield connection


def run_sql(
    connection: duckdb.DuckDBPyConnection,
    relation: str,
    parameters: Mapping[str, Any] | None = None,
) -> duckdb.DuckDBPyConnection:
    """Run the statement of `sql/<relation>.sql`, e.g. `10_land/placed_read`."""
    return connection.execute(sql_text(relation), dict(parameters) if parameters else None)


def frame(
    connection: duckdb.DuckDBPyConnection,
    relation: str,
    parameters: Mapping[str, Any] | None = None,
) -> pl.DataFrame:
    """The rows of the query in `sql/<relation>.sql`."""
    rows: pl.DataFrame = connection.sql(
        sql_text(relation), params=dict(parameters) if parameters else None
    ).pl()
    return rows


def set_variables(connection: duckdb.DuckDBPyConnection, values: Mapping[str, Any]) -> None:
    """Make values known to SQL as `getvariable('name')`; the names are ours, never a user's."""
    for name, value in values.items():
        connection.execute(f"set variable {name} = ?", [value])


def quoted(text: str | Path) -> str:
    """A text as an SQL literal."""
    return "'" + str(text).replace("'", "''") + "'"
