"""Reconcile: accounts, rows and volume in must equal accounts, rows and volume out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from pipelines.store.checksum import check_here
from pipelines.store.open_connections import interruptible
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literals
from pipelines.store.workspace import Workspace
from rightsize.contracts.frames import block_schema
from rightsize.contracts.results import NOT_ASSESSED, RECOMMENDATION
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.contracts.table import Table
from rightsize.errors import BalanceError

# Sums of the same volumes in another order differ by rounding only: 2**-52 a term, and terms
# of one file rarely pass 10**7.
VOLUME_TOLERANCE: Final = 1e-9

LEDGER_SCHEMA: Final[dict[str, pl.DataType]] = {
    "file_hash": pl.String(),
    "path": pl.String(),
    "rows_landed": pl.Int64(),
    "rows_accepted": pl.Int64(),
    "rows_rejected": pl.Int64(),
    "accepted_gal": pl.Float64(),
}
"""What reconcile needs of each landed file; `accepted_gal` may be null."""


@dataclass(frozen=True)
class SweepInputs:
    """What a sweep must account for.

    `service` has account_id and meter_id of every meter to assess; `ledger` one row per landed
    file with the columns of `LEDGER_SCHEMA`; `profile_folders` are the profiles in force, below
    `month=../bucket=..`. `partitions` has a row for each landed file, kind, month and bucket,
    if known. `realised_gain` and `leak_persistence` have the rows of the tables of these
    names, if past change-outs were verified.
    """

    service: pl.DataFrame
    ledger: pl.DataFrame
    profile_folders: Sequence[Path]
    realised_gain: pl.DataFrame | None = None
    leak_persistence: pl.DataFrame | None = None
    partitions: pl.DataFrame | None = None


def reconcile(workspace: Workspace, sweep: SweepRecord, inputs: SweepInputs) -> Reconciliation:
    """Check the sweep's blocks and profiles against the meter list and the ledger.

    Raises
    ------
    BalanceError
        Names the balance that failed, the difference, and where.
    """
    with interruptible(duckdb.connect()) as connection:
        _load(connection, workspace, sweep, inputs)
        for relation in ("file_balance", "meter_balance"):
            connection.execute(sql_text(f"60_reconcile/{relation}"))
        for check in (_landed, _accepted, _rejected, _used, _volume, _meters):
            check(connection)
        if inputs.partitions is not None:
            _parts(connection, inputs.partitions)
        return _counts(connection)


def block_files(workspace: Workspace, sweep_id: str, table: Table) -> list[str]:
    """Block files of a table from this sweep, in a fixed order."""
    return sorted(str(p) for p in (workspace.assess / sweep_id / table.name).glob("*.parquet"))


def rejected_files(workspace: Workspace) -> list[Path]:
    """Files of rejected rows, in a fixed order; files still being written are excluded."""
    return sorted(p for p in workspace.rejected.glob("*.parquet") if p.name[0] != ".")


def load_partition_file(
    connection: duckdb.DuckDBPyConnection, profile_folders: Sequence[Path]
) -> None:
    """Make the relation partition_file from the balances of the profiles in force."""
    balances = sorted(str(folder / "balance.parquet") for folder in profile_folders)
    if balances:
        connection.execute(
            sql_text("60_reconcile/partition_file"), {"balance_files": literals(balances)}
        )
    else:
        connection.execute(sql_text("60_reconcile/partition_file_none"))


def _load(
    connection: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    sweep: SweepRecord,
    inputs: SweepInputs,
) -> None:
    frames = {
        "service_frame": inputs.service.select("account_id", "meter_id").unique(),
        "ledger_frame": inputs.ledger.select(
            pl.col(name).cast(dtype) for name, dtype in LEDGER_SCHEMA.items()
        ),
        "rejected_frame": _rejected_counts(workspace),
        "recommendation_block": _block_keys(workspace, sweep, RECOMMENDATION),
        "not_assessed_block": _block_keys(workspace, sweep, NOT_ASSESSED),
    }
    for name, frame in frames.items():
        connection.register(name, frame.to_arrow())
    load_partition_file(connection, inputs.profile_folders)


def _rejected_counts(workspace: Workspace) -> pl.DataFrame:
    files = rejected_files(workspace)
    check_here(files)
    counted = [
        (path.stem, pl.scan_parquet(path, glob=False).select(pl.len()).collect().item())
        for path in files
    ]
    return pl.DataFrame(
        counted, schema={"file_hash": pl.String, "rejected_rows": pl.Int64}, orient="row"
    )


def _block_keys(workspace: Workspace, sweep: SweepRecord, table: Table) -> pl.DataFrame:
    names: list[str] = ["account_id", "meter_id"]
    if table is RECOMMENDATION:
        names.append("verdict")
    files = block_files(workspace, sweep.sweep_id, table)
    if files:
        check_here(files)
        return pl.read_parquet(files, columns=names, glob=False)
    return pl.DataFrame(schema={n: block_schema(table)[n] for n in names})


def _landed(connection: duckdb.DuckDBPyConnection) -> None:
    _refuse(
        connection,
        "rows read = accepted + rejected",
        "file_balance where landed_rows <> accepted_rows + rejected_rows",
        "path || ': rows read ' || landed_rows || ', accepted ' || accepted_rows"
        " || ', rejected ' || rejected_rows",
    )


def _accepted(connection: duckdb.DuckDBPyConnection) -> None:
    _refuse(
        connection,
        "rows accepted = current + superseded in the profiles",
        "file_balance where accepted_rows <> used_rows",
        "path || ': accepted ' || accepted_rows || ', in profiles ' || used_rows",
    )


def _rejected(connection: duckdb.DuckDBPyConnection) -> None:
    _refuse(
        connection,
        "rows rejected = rejected rows stored with their rule",
        "file_balance where rejected_rows <> kept_rejected_rows",
        "path || ': rejected ' || rejected_rows || ', stored ' || kept_rejected_rows",
    )


def _used(connection: duckdb.DuckDBPyConnection) -> None:
    _refuse(
        connection,
        "rows in profiles = current + superseded",
        "partition_file where rows <> current_rows + superseded_rows",
        "'month ' || month || ' bucket ' || bucket || ', file ' || file_hash || ': ' || rows"
        " || ' rows, current ' || current_rows || ', superseded ' || superseded_rows",
    )


def _volume(connection: duckdb.DuckDBPyConnection) -> None:
    _refuse(
        connection,
        "volume accepted = current + superseded volume in the profiles",
        "file_balance where abs(accepted_gal - current_gal - superseded_gal)"
        f" > {VOLUME_TOLERANCE} * greatest(abs(accepted_gal), 1)",
        "path || ': accepted ' || accepted_gal || ' gal, in profiles '"
        " || (current_gal + superseded_gal) || ' gal'",
    )


def _parts(connection: duckdb.DuckDBPyConnection, partitions: pl.DataFrame) -> None:
    connection.register("part_frame", partitions.to_arrow())
    connection.execute(sql_text("60_reconcile/part_balance"))
    _refuse(
        connection,
        "rows and volume of each file, month and bucket = what landed there (is a lake file in"
        " the place of another? restore lake/ from a backup)",
        "part_balance where accepted_rows <> used_rows or abs(accepted_gal - used_gal)"
        f" > {VOLUME_TOLERANCE} * greatest(abs(accepted_gal), 1)",
        "'lake/*/month=' || month || '/bucket=' || printf('%02d', bucket) || '/' || file_hash"
        " || '.parquet: ' || accepted_rows || ' rows landed, ' || used_rows || ' in profiles'",
    )


def _meters(connection: duckdb.DuckDBPyConnection) -> None:
    _refuse(
        connection,
        "accounts in = assessed + not assessed",
        "meter_balance where not is_in_service or recommended_rows + refused_rows <> 1",
        "'account ' || account_id || ' meter ' || coalesce(meter_id, '(none)') || ': ' || case"
        " when not is_in_service then 'in the results, but not in service'"
        " when recommended_rows + refused_rows = 0"
        " then 'in service, but no verdict and no reason'"
        " else recommended_rows || ' verdicts and ' || refused_rows"
        " || ' reasons for no verdict' end",
    )


def _refuse(
    connection: duckdb.DuckDBPyConnection, balance: str, broken: str, shown: str
) -> None:
    rows = connection.execute(
        f"select {shown} as shown, count(*) over () as n from {broken} order by shown limit 3"
    ).fetchall()
    if not rows:
        return
    more = rows[0][1] - len(rows)
    examples = "; ".join(r[0] for r in rows) + (f"; and {more:,} more" if more else "")
    raise BalanceError(f"balance failed: {balance}: {examples}")


def _counts(connection: duckdb.DuckDBPyConnection) -> Reconciliation:
    connection.execute(sql_text("60_reconcile/sweep_count"))
    counted = connection.sql("select * from sweep_count")
    (row,) = counted.fetchall()
    return Reconciliation(**dict(zip(counted.columns, row, strict=True)))
