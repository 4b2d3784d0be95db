"""Reads older than the configuration keeps: deleted from the lake, counted, never in silence.

What is deleted is first entered into the ledger, in one transaction with its removal from the
landed partitions, so rows landed stay equal to rows stored plus rows deleted. Files go after
that; what a crash leaves goes with the next sweep. Profiles follow the lake by themselves.

The months kept end with the newest month that has reads, never with today: a lake that gets no
reads any more loses none. An export that is read again from its file brings old months back,
and they are deleted again in the same sweep.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipelines.store import ledger
from pipelines.store.lake_partition import PARTITION_FOLDERS, LakePartition
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from pipelines.work.observe import event


@dataclass(frozen=True)
class DeletedReads:
    """What one sweep deleted: reads of `months`, all before `kept_from`."""

    kept_from: str | None = None
    months: tuple[str, ...] = ()
    reads: int = 0
    rejected_rows: int = 0

    def __bool__(self) -> bool:
        return bool(self.months)


def delete_old_reads(workspace: Workspace, keep_months: int | None) -> DeletedReads:
    """Delete the reads of months before the newest `keep_months`; all are kept if None."""
    with work_database(workspace) as work:
        ledger.prepare(work)
        found = _enter(work, keep_months) if keep_months else DeletedReads()
        _remove_files(work, workspace)
    if found:
        event(
            "reads deleted",
            before=found.kept_from,
            months=len(found.months),
            reads=found.reads,
            rejected_rows=found.rejected_rows,
        )
    return found


def first_month_kept(newest: str, keep_months: int) -> str:
    """The first of so many months that end with the newest, as 2025-01."""
    year, month = (int(part) for part in newest.split("-"))
    years, months = divmod(12 * year + month - keep_months, 12)
    return f"{years:04d}-{months + 1:02d}"


def _enter(work: duckdb.DuckDBPyConnection, keep_months: int) -> DeletedReads:
    """Move what is too old from the landed to the deleted partitions of the ledger."""
    row = work.execute("select max(month) from ledger.landed_partition").fetchone()
    if row is None or row[0] is None:
        return DeletedReads()
    before = first_month_kept(row[0], keep_months)
    months = work.execute(
        "select month, sum(rows_accepted)::bigint from ledger.landed_partition "
        "where month < $before group by month order by month",
        {"before": before},
    ).fetchall()
    if not months:
        return DeletedReads()
    work.execute("begin")
    try:
        rejected = _move(work, before)
        work.execute("commit")
    except Exception:
        work.execute("rollback")
        raise
    return DeletedReads(
        before, tuple(m for m, _ in months), sum(n for _, n in months), rejected
    )


def _move(work: duckdb.DuckDBPyConnection, before: str) -> int:
    """Enter partitions, and rejected rows of files without any left; returns how many rows."""
    now = ledger.now_utc(work)
    work.execute(
        "insert into ledger.deleted_partition "
        "select file_hash, kind, month, bucket, rows_accepted, amount_gal, $now "
        "from ledger.landed_partition where month < $before",
        {"now": now, "before": before},
    )
    work.execute("delete from ledger.landed_partition where month < ?", [before])
    entered = work.execute(
        "insert into ledger.deleted_partition "
        "select file_hash, 'rejected', max(deleted.month), -1, any_value(rows_rejected), 0, "
        "$now from ledger.landed_file "
        "join ledger.deleted_partition as deleted using (file_hash) "
        "where rows_rejected > 0 and file_hash not in "
        "(select file_hash from ledger.landed_partition) "
        "group by file_hash having count(*) filter (where kind = 'rejected') = 0 "
        "returning rows",
        {"now": now},
    ).fetchall()
    return sum(rows for (rows,) in entered)


def _remove_files(work: duckdb.DuckDBPyConnection, workspace: Workspace) -> None:
    """Remove the files of all deleted partitions that are still there."""
    deleted = set(
        work.execute(
            "select kind, month, bucket, file_hash from ledger.deleted_partition"
        ).fetchall()
    )
    if not deleted:
        return
    storage = workspace.storage
    for folder in (workspace.interval_reads, workspace.register_reads):
        found = storage.files(folder, f"{PARTITION_FOLDERS}/*.parquet")
        storage.drop_files([p for p in found if _key(p) in deleted])
    for kind, _, _, file_hash in deleted:
        if kind == "rejected":
            (workspace.rejected / f"{file_hash}.parquet").unlink(missing_ok=True)


def _key(path: Path) -> tuple[str, str, int, str]:
    place = LakePartition.parse(path)
    return place.kind, place.month, place.bucket, path.stem
