"""Parquet files of any tabular layout: already typed, checked like all others."""

from __future__ import annotations

from pathlib import Path

import duckdb

from pipelines.sources.columns import column_positions
from pipelines.sources.staged import (
    FileTask,
    Kind,
    Staged,
    declare,
    no_unreadable_lines,
    raw_read_view,
)
from pipelines.sources.text_file import kind_and_amount
from pipelines.sources.wide import wide_view
from pipelines.store.warehouse import literal, quoted, run_sql
from rightsize.errors import ConfigError


def is_parquet(path: Path) -> bool:
    """Whether the content is Parquet, by its first bytes.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    with path.open("rb") as handle:
        return handle.read(4) == b"PAR1"


def stage_parquet(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    """Stage and check a Parquet file; a read's line is its row number.

    Raises
    ------
    ConfigError
        If the file lacks a needed column, or the layout is not a table.
    """
    if task.export.layout == "espi":
        raise ConfigError(f"{task.path}: layout espi expects XML, but the file is Parquet")
    source = (
        f"read_parquet({quoted(literal(task.path))}, file_row_number = true, "
        "hive_partitioning = false)"
    )
    described = connection.execute(f"describe select * from {source}").fetchall()
    header = tuple(str(r[0]) for r in described if r[0] != "file_row_number")
    where = f"{task.path} (export {task.export.name})"
    positions = column_positions(header, task.export.columns, task.export.layout, where=where)
    names = {ours: _identifier(header[k]) for ours, k in positions.items()}
    no_unreadable_lines(connection)
    if task.export.layout == "wide":
        cells = [(_identifier(name), name) for name in header]
        statement = wide_view(connection, task, source, "file_row_number + 1", names, cells)
        kind: Kind = "interval"
    else:
        kind, amount = kind_and_amount(task)
        declare(
            connection,
            kind=kind,
            at_column=" ".join(header[positions[n]] for n in ("at", "time") if n in positions),
            is_stamped_at_end=kind == "interval" and task.export.stamp == "end",
        )
        texts = {"amount" if k == amount else k: v for k, v in names.items()}
        statement = raw_read_view(source, "file_row_number + 1", texts)
    connection.execute(statement)
    run_sql(connection, "10_land/typed_read")
    return Staged(kind)


def _identifier(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
