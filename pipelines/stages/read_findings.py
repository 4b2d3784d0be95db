"""What the reads themselves give away: wrong units, wrong multipliers, clocks that are off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from pipelines.sources.meters import Meters
from pipelines.warehouse import connect, frame, run_sql, work_database
from pipelines.workspace import Workspace
from rightsize.findings import FINDING_CODES, Finding
from rightsize.units import UnitSystem
from rightsize.wording import UnitNames


def compare_clocks(
    workspace: Workspace,
    work: duckdb.DuckDBPyConnection,
    touched: Iterable[tuple[str, str, int]],
) -> None:
    """Hold the exports of each touched interval partition against each other.

    Only partitions that more than one export writes to are looked at; what is found replaces
    what was found of them before, in `ledger.clock_shift`.
    """
    for _, month, bucket in sorted(t for t in touched if t[0] == "interval"):
        rows = work.execute(
            "select part.file_hash, export_name from ledger.landed_partition as part "
            "join ledger.landed_file using (file_hash) "
            "where kind = 'interval' and month = ? and bucket = ?",
            [month, bucket],
        ).fetchall()
        sources = pa.table(
            {"file_hash": [h for h, _ in rows], "export_name": [e for _, e in rows]}
        )
        work.execute(
            "delete from ledger.clock_shift where month = ? and bucket = ?", [month, bucket]
        )
        if len(set(sources["export_name"].to_pylist())) < 2:
            continue
        folder = workspace.interval_reads / f"month={month}" / f"bucket={bucket:02d}"
        files = sorted(str(p) for p in folder.glob("*.parquet"))
        with_scratch = connect(spill=workspace.scratch)
        try:
            with_scratch.register("landing_export", sources)
            found = run_sql(
                with_scratch, "20_validate/shifted_meter", {"files": files}
            ).fetchall()
        finally:
            with_scratch.close()
        if found:
            work.executemany(
                "insert into ledger.clock_shift values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [[month, bucket, *row] for row in found],
            )


def read_findings(
    workspace: Workspace,
    stat_files: Sequence[Path | str],
    meters: Meters,
    *,
    units: UnitSystem = "us",
) -> tuple[Finding, ...]:
    """Findings on meters whose reads give away a wrong unit, multiplier or clock.

    Parameters
    ----------
    stat_files
        The months' statistics of the profiles in force.
    meters
        The meter list, for the account of each meter.
    units
        Of the figures in messages; evidence is in US units.
    """
    accounts = dict(
        meters.frame.sort("installed_on", nulls_last=False)
        .select("meter_id", "account_id")
        .rows()
    )
    with work_database(workspace) as work:
        shifts = work.execute(
            "select meter_id, arg_max(first_export, month), arg_max(second_export, month), "
            "arg_max(shift_min, month), arg_max(agree_share, month), max(month), sum(reads) "
            "from ledger.clock_shift group by meter_id order by meter_id"
        ).fetchall()
    found = [_clock_finding(accounts, row) for row in shifts]
    if stat_files:
        connection = connect(spill=workspace.scratch)
        try:
            jumps = frame(
                connection,
                "20_validate/suspect_multiplier",
                {"stat_files": [str(f) for f in stat_files]},
            )
        finally:
            connection.close()
        said = UnitNames(units)
        found += [
            _multiplier_finding(accounts, row, said) for row in jumps.iter_rows(named=True)
        ]
    return tuple(f for f in found if f.account_id)


def _clock_finding(accounts: dict[str, str], row: tuple[object, ...]) -> Finding:
    meter_id, first, second, shift_min, share, month, reads = row
    return Finding(
        account_id=accounts.get(str(meter_id), ""),
        meter_id=str(meter_id),
        code="clock_shift",
        severity=FINDING_CODES["clock_shift"].severity,
        message=(
            f"exports {first} and {second} tell the same volumes "
            f"{abs(float(str(shift_min))):g} min apart: "
            "stamps of the end taken for the start, or a clock off by an interval?"
        ),
        evidence={
            "shift_min": shift_min, "agree_share": share, "month": month, "read_count": reads,
        },
    )  # fmt: skip


def _multiplier_finding(
    accounts: dict[str, str], row: dict[str, Any], said: UnitNames
) -> Finding:
    before, after = (
        f"{row[f'{when}_gal_per_day'] * said.volume_per_gal:.{1 if said.is_metric else 0}f}"
        for when in ("before", "after")
    )
    return Finding(
        account_id=accounts.get(str(row["meter_id"]), ""),
        meter_id=str(row["meter_id"]),
        code="suspect_multiplier",
        severity=FINDING_CODES["suspect_multiplier"].severity,
        message=(
            f"daily volume went from {before} to {after} {said.volume_unit} "
            f"in {row['month_on']:%Y-%m} and stayed: "
            f"a factor of {row['factor']:g}, a wrong unit or multiplier?"
        ),
        evidence={
            "factor": row["factor"],
            "before_gal_per_day": row["before_gal_per_day"],
            "after_gal_per_day": row["after_gal_per_day"],
            "month_on": str(row["month_on"]),
        },
    )
