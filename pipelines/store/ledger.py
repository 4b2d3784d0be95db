"""What has landed: the tables of schema `ledger` in the working database."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass
from datetime import datetime
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
    "10_land/reading_generation", "20_validate/clock_shift",
)  # fmt: skip


@dataclass(frozen=True)
class LandedPart:
    """What one landing wrote into one partition of the lake."""

    file_hash: str
    kind: PartitionKind
    month: str
    bucket: int
    rows_accepted: int
    amount_gal: float | None
    covered_min: float | None
    rows_repeated: int


def prepare(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the ledger's tables where they are missing."""
    connection.execute("create schema if not exists ledger")
    for relation in _TABLES:
        run_sql(connection, relation)


def bucket_count(
    connection: duckdb.DuckDBPyConnection, configured: int | None, meters: int
) -> int:
    """The workspace's bucket count: fixed by the first landing.

    Where the configuration does not say, one bucket for each 4,000 meters, as a power of
    two up to 64, and at least 4, so that a small fleet too keeps several cores busy.

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
                f"buckets: {configured} asked for, but the workspace was made with {fixed}; "
                "leave the key out, or start a new workspace"
            )
        return fixed
    chosen = configured or _usual_bucket_count(meters)
    connection.execute(
        "insert into ledger.landing_setting values ('bucket_count', ?)", [str(chosen)]
    )
    return chosen


def _usual_bucket_count(meters: int) -> int:
    buckets = 4
    while buckets < 64 and buckets * 4000 < meters:
        buckets *= 2
    return buckets


def known_content(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int, str]]:
    """Size, time stamp and content hash of each path seen before."""
    rows = connection.execute(
        "select path, bytes, modified_ns, content_hash from ledger.seen_path"
    ).fetchall()
    return {path: (int(size), int(modified), digest) for path, size, modified, digest in rows}


def landed_hashes(connection: duckdb.DuckDBPyConnection) -> set[str]:
    """The files that have landed, by the name that their lake files bear."""
    return {
        r[0] for r in connection.execute("select file_hash from ledger.landed_file").fetchall()
    }


def next_landed_seq(connection: duckdb.DuckDBPyConnection) -> int:
    """The next number in the order of landing."""
    row = connection.execute(
        "select coalesce(max(landed_seq), 0) + 1 from ledger.landed_file"
    ).fetchone()
    return int(row[0]) if row else 1


def remember_path(
    connection: duckdb.DuckDBPyConnection, stamp: FileStamp, content_hash: str
) -> None:
    """Note a path's content, so that it is not hashed again while it stays as it is."""
    connection.execute(
        "insert or replace into ledger.seen_path values (?, ?, ?, ?)",
        [str(stamp.path), stamp.bytes, stamp.modified_ns, content_hash],
    )


def record_landing(
    connection: duckdb.DuckDBPyConnection,
    row: Mapping[str, Any],
    partitions: Sequence[LandedPart],
    *,
    replaces: str | None,
) -> None:
    """Enter a landing, its partitions, and take out the one it replaces: all or nothing."""
    connection.execute("begin")
    try:
        if replaces is not None:
            for table in ("landed_file", "landed_partition"):
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
        connection.execute("commit")
    except Exception:
        connection.execute("rollback")
        raise


def earlier_reading_of(
    connection: duckdb.DuckDBPyConnection, content_hash: str, export_name: str
) -> str | None:
    """A landing of the same content under other settings, which a new one replaces."""
    row = connection.execute(
        "select file_hash from ledger.landed_file where content_hash = ? and export_name = ?",
        [content_hash, export_name],
    ).fetchone()
    return None if row is None else str(row[0])


def generations(connection: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """How often each content was read again for a new multiplier; 0 where it is not listed."""
    rows = connection.execute("select content_hash, generation from ledger.reading_generation")
    return {content: int(generation) for content, generation in rows.fetchall()}


def keep_multipliers(connection: duckdb.DuckDBPyConnection, meters: Sequence[str]) -> None:
    """Note the multipliers of meters whose reads landed; `known_meter` is registered."""
    if not meters:
        return
    connection.register("landed_name", pl.DataFrame({"meter_id": meters}).to_arrow())
    connection.execute(
        "insert or replace into ledger.landed_multiplier "
        "select meter_id, coalesce(multiplier, 1) from landed_name left join known_meter "
        "using (meter_id) anti join ledger.landed_multiplier as held "
        "on held.meter_id = landed_name.meter_id "
        "and held.multiplier = coalesce(known_meter.multiplier, 1)"
    )
    connection.unregister("landed_name")


def read_again(connection: duckdb.DuckDBPyConnection, file_hashes: Sequence[str]) -> None:
    """Have the contents of these landings read again when their files are seen."""
    for file_hash in file_hashes:
        connection.execute(
            "insert into ledger.reading_generation "
            "select content_hash, 1 from ledger.landed_file where file_hash = ? "
            "on conflict do update set generation = generation + 1",
            [file_hash],
        )


def paths_of(connection: duckdb.DuckDBPyConnection, file_hashes: Sequence[str]) -> list[str]:
    """Where the files of these landings lay."""
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
    """Keep the files that this run could not land, in place of the former run's."""
    connection.execute("delete from ledger.file_problem")
    if problems:
        connection.executemany(
            "insert or replace into ledger.file_problem values (?, ?, ?, now())",
            [[str(p.path), p.code, p.message] for p in problems],
        )
