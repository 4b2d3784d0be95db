"""Rejected and flagged rows of the exports by file and line.

The lake keeps the source file and line of every read, so flagged rows are not stored: each
partition is scanned when the command runs.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import Final

import duckdb
from rich import box
from rich.table import Table

from pipelines.commands import console
from pipelines.commands.query_output import write_answer
from pipelines.configuration.load_settings import Loaded
from pipelines.configuration.meter_list import meters_of
from pipelines.store.checksum import check_here
from pipelines.store.lake_partition import PARTITION_FOLDERS, LakePartition
from pipelines.store.resources import sql_text
from pipelines.store.storage import local_paths
from pipelines.store.warehouse import connect, literals, quoted, run_sql, work_database
from pipelines.store.workspace import Workspace
from rightsize.errors import ConfigError, DamageError

SHOWN: Final = 20
MOST_WRITTEN: Final = 1_000_000
_BATCH_ROWS: Final = 10_000
_ROWS: Final = (
    "create temp table flagged_row (source_file varchar, source_line bigint, "
    "meter_id varchar, read_at timestamptz, rule varchar, value varchar)"
)


@dataclass(frozen=True)
class Wanted:
    """Which rows are asked for; all by default. `file` is a part of the path."""

    rule: str | None = None
    meter_id: str | None = None
    file: str | None = None
    month: str | None = None

    def condition(self) -> str:
        """The filter as SQL on the columns of `flagged_row`, except the month."""
        wishes = [
            f"rule = {quoted(self.rule)}" if self.rule else "",
            f"meter_id = {quoted(self.meter_id)}" if self.meter_id else "",
            f"contains(source_file, {quoted(self.file)})" if self.file else "",
        ]
        return " and ".join(w for w in wishes if w) or "true"


def show_flagged_rows(
    loaded: Loaded, wanted: Wanted, *, limit: int | None = None, to: Path | None = None
) -> None:
    """Print how many rows of each rule there are, and some of them; or write them as CSV.

    Raises
    ------
    ConfigError
        If no read has landed, or the rule is not known.
    WorkspaceBusyError
        If a sweep holds the workspace.
    """
    zone = loaded.settings.timezone
    with flagged(loaded, wanted) as connection:
        _show_counts(connection, _not_known(connection, wanted))
        if to is not None:
            written = _write(connection, to, limit or MOST_WRITTEN, zone)
            console.out.print(f"{written:,} rows written to {to}")
        elif wanted != Wanted() or limit:
            _show_rows(connection, limit or SHOWN, zone)


@contextmanager
def flagged(loaded: Loaded, wanted: Wanted) -> Iterator[duckdb.DuckDBPyConnection]:
    """A database that holds the rows asked for in `flagged_row`, `read_rule` beside it."""
    workspace = loaded.workspace
    if not workspace.database.is_file():
        raise ConfigError(
            f"workspace {workspace.root}: no reads yet; run `rightsize sweep` first"
        )
    with workspace.hold("rows"):
        connection = connect(spill=workspace.scratch)
        try:
            _learn(connection, loaded, workspace, wanted)
            _gather(connection, workspace, wanted, loaded.settings.timezone)
            yield connection
        finally:
            connection.close()


def _learn(
    connection: duckdb.DuckDBPyConnection, loaded: Loaded, workspace: Workspace, wanted: Wanted
) -> None:
    meters = meters_of(loaded)
    connection.register("known_meter", meters.frame.select("meter_id").unique().to_arrow())
    with work_database(workspace) as work:
        connection.register(
            "landing",
            work.sql(
                "select file_hash, path as source_file, landed_at from ledger.landed_file"
            ).to_arrow_table(),
        )
        connection.register("read_rule", work.sql("from ledger.read_rule").to_arrow_table())
    known = [r for (r,) in connection.execute("select rule from read_rule").fetchall()]
    if wanted.rule and wanted.rule not in known:
        raise ConfigError(f"unknown rule {wanted.rule!r}; allowed: {', '.join(known)}")


def _not_known(connection: duckdb.DuckDBPyConnection, wanted: Wanted) -> str | None:
    """Why nothing can be found: a meter or file that is not there at all."""
    if connection.execute("select count(*) from flagged_row").fetchone() != (0,):
        return None
    if (
        wanted.meter_id
        and not connection.execute(
            "from known_meter where meter_id = ?", [wanted.meter_id]
        ).fetchone()
    ):
        return (
            f"no such meter {wanted.meter_id}: the meter list does not hold it, "
            "and no refused or flagged row names it"
        )
    if (
        wanted.file
        and not connection.execute(
            "from landing where contains(source_file, ?)", [wanted.file]
        ).fetchone()
    ):
        return f"no such file {wanted.file}: no landed file has this in its path"
    return None


def _gather(
    connection: duckdb.DuckDBPyConnection, workspace: Workspace, wanted: Wanted, zone: str
) -> None:
    connection.execute(_ROWS)
    body = sql_text("20_validate/flagged_read")
    for kind, files in _partitions(workspace):
        with workspace.storage.at_hand(files) as here:
            run_sql(
                connection, f"20_validate/flag_{kind}", {"files": literals(local_paths(here))}
            )
            connection.execute(
                f"insert into flagged_row from ({body}) where {wanted.condition()} "
                "and ($month is null or strftime(timezone($zone, read_at), '%Y-%m') = $month)",
                {"month": wanted.month, "zone": zone},
            )
    refused = sorted(str(p) for p in workspace.rejected.glob("*.parquet"))
    if refused and not wanted.month:
        check_here(refused)
        _gather_refused(connection, refused, wanted)


def _gather_refused(
    connection: duckdb.DuckDBPyConnection, files: list[str], wanted: Wanted
) -> None:
    try:
        connection.execute(
            "insert into flagged_row select source_file, source_line, meter_id, null, rule, "
            "value from read_parquet($files, hive_partitioning = false) "
            f"where {wanted.condition()}",
            {"files": literals(files)},
        )
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        first = next(iter(str(error).splitlines()), "")
        raise DamageError(
            f"rejected rows cannot be read ({first}); restore the file from a backup, or remove"
            " it to go on without its rows"
        ) from None


def _partitions(workspace: Workspace) -> Iterator[tuple[str, list[Path]]]:
    """Files whose reads are checked together; for registers, the files of all months."""
    files = partial(workspace.storage.files, pattern=f"{PARTITION_FOLDERS}/*.parquet")
    by_place = groupby(files(workspace.interval_reads), key=LakePartition.parse)
    for _, group in by_place:
        yield "interval", list(group)
    register = sorted(files(workspace.register_reads), key=_bucket)
    for _, group in groupby(register, key=_bucket):
        yield "register", list(group)


def _bucket(file: Path) -> int:
    return LakePartition.parse(file).bucket


def _show_counts(connection: duckdb.DuckDBPyConnection, not_known: str | None) -> None:
    table = Table("rule", "severity", "rows", "files", "meaning", box=box.SIMPLE)
    for rule, severity, rows, files, meaning in connection.execute(
        "select rule, severity, count(*), count(distinct source_file), any_value(meaning) "
        "from flagged_row left join read_rule using (rule) group by all order by all"
    ).fetchall():
        table.add_row(rule, severity, f"{rows:,}", f"{files:,}", meaning)
    console.out.print(table if table.row_count else not_known or "no rejected or flagged rows")


def _listing(limit: int, zone: str) -> str:
    return (
        "select source_file, source_line, meter_id, "
        f"timezone({quoted(zone)}, read_at) as read_at, rule, severity, value "
        "from flagged_row left join read_rule using (rule) "
        f"order by source_file, source_line, flagged_row.read_at, rule limit {limit}"
    )


def _show_rows(connection: duckdb.DuckDBPyConnection, limit: int, zone: str) -> None:
    table = Table(box=box.SIMPLE)
    table.add_column("file", overflow="fold")
    for heading in ("line", "meter", f"time ({zone})", "rule", "value"):
        table.add_column(heading)
    for path, line, meter_id, at, rule, _, value in connection.execute(
        _listing(limit, zone)
    ).fetchall():
        stamp = f"{at:%Y-%m-%d %H:%M}" if at else ""
        table.add_row(str(path), str(line), meter_id or "", stamp, rule, value or "")
    if table.row_count:
        console.out.print(table)


def _write(connection: duckdb.DuckDBPyConnection, to: Path, limit: int, zone: str) -> int:
    """As `query` writes CSV, where no cell is a formula."""
    reader = connection.sql(_listing(limit, zone)).to_arrow_reader(_BATCH_ROWS)
    return write_answer(reader, "csv", None, to, sys.stdout)
