"""DuckDB connections with memory limits, and the statements of `sql/` run on them."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import duckdb

from pipelines.store.open_connections import interruptible
from pipelines.store.resources import sql_text
from pipelines.store.workspace import Workspace
from rightsize.errors import DamageError, RightsizeError, WorkspaceBusyError

if TYPE_CHECKING:
    import polars as pl

DEFAULT_MEMORY: Final = "2GB"
"""Leaves the rest of the 4 GiB limit to Python and the reader's buffers."""
WORK_CURE: Final = (
    "restore it together with lake/ and rejected/ from a backup. Without a backup, move it, "
    "lake/, rejected/ and profile/ away and run a sweep: the exports are loaded again, and the "
    "history in published/ is kept"
)
_RESULTS_CURE: Final = (
    "restore published/ from a backup: only it has the history. Without a backup, move the file"
    " away and run a sweep: a new history starts"
)
_NO_DAMAGE: Final = (
    "No space left",
    "Read-only file system",
    "Permission denied",
    "disk quota",
)
_DAMAGE: Final = ("Corrupt database file", "checksum", "Serialization Error", "Corrupt WAL")
LANDING_MEMORY: Final = "3.6GB"
"""A file's reads are in memory at once, 72 million in 3 GiB; beyond this they spill."""


def connect(
    database: Path | None = None,
    *,
    spill: Path | None = None,
    memory: str | None = None,
    usual_memory: str = DEFAULT_MEMORY,
    threads: int | None = None,
    read_only: bool = False,
) -> duckdb.DuckDBPyConnection:
    """A connection in UTC with a memory limit and a spill folder.

    Parameters
    ----------
    database
        File to open; a database in memory if not given.
    spill
        Folder for what does not fit into memory; inside the workspace.
    memory
        Limit such as `3GB`; the environment's `RIGHTSIZE_MEMORY` or `usual_memory` where
        not given.
    threads
        The environment's `RIGHTSIZE_THREADS` or the processor count if not given.
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
    return in_utc(connection)


def in_utc(connection: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """The connection, set to UTC and without a progress bar."""
    connection.execute("set TimeZone = 'UTC'")
    connection.execute("set enable_progress_bar = false")
    return connection


@contextmanager
def work_database(workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """The working database, open while the block runs.

    Raises
    ------
    DamageError
        If the file is no longer a database.
    WorkspaceBusyError
        If another program has it open.
    """
    workspace.check_files()
    workspace.root.mkdir(parents=True, exist_ok=True)
    try:
        opened = connect(workspace.database, spill=workspace.scratch)
    except duckdb.Error as error:
        raise not_opened(workspace.database, error, WORK_CURE) from None
    with interruptible(opened) as connection:
        try:
            yield connection
        except duckdb.Error as error:
            if is_damage(error):
                raise not_opened(workspace.database, error, WORK_CURE) from None
            raise


def is_damage(error: Exception) -> bool:
    """Whether an error of a statement comes from a damaged database file.

    DuckDB verifies the checksum of each block that it reads.
    """
    return any(sign in str(error) for sign in _DAMAGE)


def not_opened(
    database: Path, error: Exception, cure: str, *, only_read: bool = False
) -> RightsizeError:
    """Why a database of the workspace cannot be opened, and what to do."""
    first = str(error).strip().splitlines()[0]
    if "lock on file" in first:
        return WorkspaceBusyError(f"{database} is open in another program; close it: {first}")
    access, what = (os.R_OK, "read") if only_read else (os.R_OK | os.W_OK, "read and written")
    if database.is_file() and not os.access(database, access):
        return RightsizeError(
            f"{database} cannot be {what} by this user; check its permissions, and whether "
            "the disk is read-only"
        )
    if any(sign in first for sign in _NO_DAMAGE):
        return RightsizeError(f"{database} cannot be opened: {first}")
    return DamageError(f"{database} cannot be read ({first}); {cure}")


def damage_of(results: Path, error: Exception) -> RightsizeError:
    """Why the published database cannot be read, and what to do."""
    return not_opened(results, error, _RESULTS_CURE, only_read=True)


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
    """Set values for SQL as `getvariable('name')`; names are ours, never a user's."""
    for name, value in values.items():
        connection.execute(f"set variable {name} = ?", [value])


def quoted(text: str | Path) -> str:
    """A text as an SQL literal."""
    return "'" + str(text).replace("'", "''") + "'"


def literal(path: str | Path) -> str:
    """A path escaped for DuckDB, so that glob characters in it are literal.

    Only for paths that DuckDB reads; paths to write or attach are literal anyway.
    """
    text = str(path)
    return glob.escape(text) if glob.has_magic(text) else text


def literals(paths: Iterable[str | Path]) -> list[str]:
    """`literal` of each path, in the same order."""
    return [literal(path) for path in paths]
