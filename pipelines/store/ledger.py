"""Landed files: the tables of schema `ledger` in the working database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.store.file_stamp import FileProblem, FileStamp
from pipelines.store.lake_partition import PartitionKind
from pipelines.store.warehouse import run_sql
from rightsize.errors import ConfigError

_TABLES: Final = (
    "10_land/landed_file", "10_land/landed_partition", "10_land/seen_path",
    "10_land/landing_setting", "10_land/file_problem", "20_validate/validation_result",
    "20_validate/read_rule", "20_validate/judged_file", "10_land/landed_multiplier",
    "10_land/reading_generation", "20_validate/clock_shift", "10_land/landed_digits",
    "10_land/waiting_place", "10_land/clock_bound", "10_land/seen_change",
    "10_land/deleted_partition", "10_land/landed_flow_log",
)  # fmt: skip
_OF_A_FILE: Final = (
    "landed_file", "landed_partition", "deleted_partition", "clock_bound",
)  # fmt: skip
TIER: Final = 100_000_000
"""Added to a file's place for each export that its own supersedes."""
_FEW_METERS: Final = 1000  # fleets below it have two buckets


ClockBound = tuple[datetime | None, datetime | None]
"""First time rejected as in the future, and last future time accepted."""


@dataclass(frozen=True)
class LandedPart:
    """What one file added to one partition of the lake."""

    file_hash: str
    kind: PartitionKind
    month: str
    bucket: int
    rows_accepted: int
    amount_gal: float | None
    covered_min: float | None
    rows_repeated: int


def prepare(connection: duckdb.DuckDBPyConnection) -> None:
    """Create the ledger's tables if missing."""
    connection.execute("create schema if not exists ledger")
    for relation in _TABLES:
        run_sql(connection, relation)


def bucket_count(
    connection: duckdb.DuckDBPyConnection, configured: int | None, meters: int
) -> int:
    """The workspace's bucket count, fixed by the first sweep.

    By default one bucket per 4,000 meters, as a power of two from 4 to 64, so that a small
    fleet also uses several cores; 2 below 1,000 meters, whose reads cost less than what every
    partition does.

    Raises
    ------
    ConfigError
        If the configuration asks for another count than the workspace has.
    """
    row = connection.execute(
        "select setting from ledger.landing_setting where name = 'bucket_count'"
    ).fetchone()
    if row is not None:
        fixed = int(row[0])
        if configured is not None and configured != fixed:
            raise ConfigError(
                f"buckets: got {configured}, but the workspace was created with {fixed}; "
                "remove the key, or start a new workspace"
            )
        return fixed
    chosen = configured or _usual_bucket_count(meters)
    connection.execute(
        "insert into ledger.landing_setting values ('bucket_count', ?)", [str(chosen)]
    )
    return chosen


def _usual_bucket_count(meters: int) -> int:
    buckets = 4 if meters >= _FEW_METERS else 2
    while buckets < 64 and buckets * 4000 < meters:
        buckets *= 2
    return buckets


def known_content(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[FileStamp, str]]:
    """Stamp and content hash of each known path."""
    rows = connection.execute(
        "select path, bytes, modified_ns, coalesce(changed_ns, 0), content_hash "
        "from ledger.seen_path"
    ).fetchall()
    return {
        path: (FileStamp(Path(path), int(size), int(modified), int(changed)), digest)
        for path, size, modified, changed, digest in rows
    }


def landed_hashes(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """Landed files, by the name of their lake files."""
    return {
        r[0] for r in connection.execute("select file_hash from ledger.landed_file").fetchall()
    }


def next_place(connection: duckdb.DuckDBPyConnection) -> int:
    """The next sequence number in the order in which files were found."""
    row = connection.execute(
        "select coalesce(max(place), 0) + 1 from ("
        f"select landed_seq % {TIER} as place from ledger.landed_file "
        "union all select place from ledger.waiting_place)"
    ).fetchone()
    return int(row[0]) if row else 1


def waiting_places(connection: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], int]:
    """Places of files that were found but could not be loaded yet, by path and export."""
    rows = connection.execute("select path, export_name, place from ledger.waiting_place")
    return {(path, export): int(place) for path, export, place in rows.fetchall()}


def hold_place(
    connection: duckdb.DuckDBPyConnection, path: str, export_name: str, place: int
) -> None:
    """Keep the place of a file that could not be loaded."""
    connection.execute(
        "insert or ignore into ledger.waiting_place values (?, ?, ?)",
        [path, export_name, place],
    )


def remember_path(
    connection: duckdb.DuckDBPyConnection, stamp: FileStamp, content_hash: str
) -> None:
    """Record a path's content hash, so that it is not hashed again while unchanged."""
    connection.execute(
        "insert or replace into ledger.seen_path "
        "(path, bytes, modified_ns, content_hash, changed_ns) values (?, ?, ?, ?, ?)",
        [str(stamp.path), stamp.bytes, stamp.modified_ns, content_hash, stamp.changed_ns],
    )


def record_landing(
    connection: duckdb.DuckDBPyConnection,
    row: Mapping[str, Any],
    partitions: Sequence[LandedPart],
    *,
    bound: ClockBound,
    replaces: str | None,
    stamp: FileStamp,
    meters: Sequence[str],
) -> None:
    """Record a landed file and its partitions, and remove the one it replaces: all or none.

    With it its path, as `remember_path`, and the scales of its meters, as `keep_scales`.
    """
    connection.execute("begin")
    try:
        connection.execute(
            "delete from ledger.waiting_place where path = ? and export_name = ?",
            [row["path"], row["export_name"]],
        )
        if replaces is not None:
            for table in _OF_A_FILE:
                connection.execute(
                    f"delete from ledger.{table} where file_hash = ?", [replaces]
                )
        names = ", ".join(row)
        marks = ", ".join("?" for _ in row)
        connection.execute(
            f"insert into ledger.landed_file ({names}) values ({marks})", list(row.values())
        )
        if partitions:
            connection.executemany(
                "insert into ledger.landed_partition values (?, ?, ?, ?, ?, ?, ?, ?)",
                [list(astuple(p)) for p in partitions],
            )
        if any(bound):
            connection.execute(
                "insert into ledger.clock_bound values (?, ?, ?)", [row["file_hash"], *bound]
            )
        remember_path(connection, stamp, row["content_hash"])
        keep_scales(connection, meters)
        connection.execute("commit")
    except Exception:
        connection.execute("rollback")
        raise


def earlier_reading(
    connection: duckdb.DuckDBPyConnection,
    content_hash: str,
    path: str,
    export_name: str,
    exports: Sequence[str],
) -> tuple[str, int] | None:
    """The landed file that a new one replaces, and its place: (file_hash, place).

    Either the same content with other settings, of this export or of one that no longer exists
    (`exports` lists the existing ones); or a truncated file of the same path.
    """
    row = connection.execute(
        f"select file_hash, landed_seq % {TIER} from ledger.landed_file "
        "where content_hash = ? and (export_name = ? or not list_contains(?, export_name)) "
        "or path = ? and export_name = ? and problem is not null "
        "order by content_hash <> ?, export_name <> ?, landed_seq limit 1",
        [
            content_hash,
            export_name,
            list(exports),
            path,
            export_name,
            content_hash,
            export_name,
        ],
    ).fetchone()
    return None if row is None else (str(row[0]), int(row[1]))


def generations(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """How often each content had to be checked again; 0 if not listed."""
    rows = connection.execute("select content_hash, generation from ledger.reading_generation")
    return {content: int(generation) for content, generation in rows.fetchall()}


def keep_scales(connection: duckdb.DuckDBPyConnection, meters: Sequence[str]) -> None:
    """Record multiplier and dials of the meters of a landed file; reads `known_meter`."""
    if not meters:
        return
    connection.register("landed_name", pl.DataFrame({"meter_id": meters}).to_arrow())
    connection.execute(
        "insert or replace into ledger.landed_multiplier "
        "(meter_id, multiplier, register_digits) "
        "select meter_id, coalesce(multiplier, 1), known_meter.register_digits "
        "from landed_name left join known_meter "
        "using (meter_id) anti join ledger.landed_multiplier as held "
        "on held.meter_id = landed_name.meter_id "
        "and held.multiplier = coalesce(known_meter.multiplier, 1) "
        "and held.register_digits is not distinct from known_meter.register_digits"
    )
    connection.unregister("landed_name")


def read_again(connection: duckdb.DuckDBPyConnection, file_hashes: Sequence[str]) -> None:
    """Mark the contents of these landed files to be read again when seen."""
    for file_hash in file_hashes:
        connection.execute(
            "insert into ledger.reading_generation "
            "select content_hash, 1 from ledger.landed_file where file_hash = ? "
            "on conflict do update set generation = generation + 1",
            [file_hash],
        )
        connection.execute("delete from ledger.clock_bound where file_hash = ?", [file_hash])


def paths_of(connection: duckdb.DuckDBPyConnection, file_hashes: Sequence[str]) -> list[str]:
    """Paths of these landed files."""
    rows = connection.execute(
        "select path from ledger.landed_file where list_contains(?, file_hash) order by path",
        [list(file_hashes)],
    )
    return [path for (path,) in rows.fetchall()]


def now_utc(connection: duckdb.DuckDBPyConnection) -> datetime:
    """The database's clock, UTC without zone."""
    row = connection.execute("select timezone('UTC', now())").fetchone()
    assert row is not None
    at: datetime = row[0]
    return at


def record_problems(
    connection: duckdb.DuckDBPyConnection, problems: Sequence[FileProblem]
) -> None:
    """Store the files that this run could not load, replacing the previous run's."""
    connection.execute("delete from ledger.file_problem")
    if problems:
        connection.executemany(
            "insert or replace into ledger.file_problem values (?, ?, ?, now())",
            [[str(p.path), p.code, p.message] for p in problems],
        )
