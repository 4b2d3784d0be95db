"""Findings from the reads: wrong units, clock shifts, stuck registers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow as pa

from pipelines.configuration.meter_list import Meters
from pipelines.store.lake_partition import LakePartition
from pipelines.store.open_connections import interruptible
from pipelines.store.storage import local_paths
from pipelines.store.warehouse import connect, frame, literals, run_sql, work_database
from pipelines.store.workspace import Workspace
from rightsize.findings import FINDING_CODES, Finding
from rightsize.meters.catalogue import size_label
from rightsize.units import UnitSystem
from rightsize.units.plain_number import plain_number
from rightsize.wording import UnitNames


def compare_clocks(
    workspace: Workspace,
    work: duckdb.DuckDBPyConnection,
    touched: Iterable[LakePartition],
) -> None:
    """Compare the exports of each changed interval partition with each other.

    Only partitions with more than one export are compared; the result replaces the
    previous one in `ledger.clock_shift`.
    """
    places = sorted(p for p in touched if p.kind == "interval")
    work.register(
        "touched",
        pa.table({"month": [p.month for p in places], "bucket": [p.bucket for p in places]}),
    )
    work.execute("delete from ledger.clock_shift where (month, bucket) in (from touched)")
    sources = _sources(work)
    work.unregister("touched")
    several = {p: of for p, of in sources.items() if len({export for _, export in of}) > 1}
    if not several:
        return
    with interruptible(connect(spill=workspace.scratch)) as connection:
        for place in sorted(several):
            found = _shifted(connection, workspace, place, several[place])
            if found:
                work.executemany(
                    "insert into ledger.clock_shift values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    [[place.month, place.bucket, *row] for row in found],
                )


def _sources(work: duckdb.DuckDBPyConnection) -> dict[LakePartition, list[tuple[str, str]]]:
    """The files of each partition in `touched`, with their exports."""
    found: dict[LakePartition, list[tuple[str, str]]] = {}
    for month, bucket, file_hash, export in work.execute(
        "select month, bucket, part.file_hash, export_name "
        "from ledger.landed_partition as part semi join touched using (month, bucket) "
        "join ledger.landed_file using (file_hash) where kind = 'interval'"
    ).fetchall():
        place = LakePartition("interval", month, bucket)
        found.setdefault(place, []).append((file_hash, export))
    return found


def _shifted(
    connection: duckdb.DuckDBPyConnection,
    workspace: Workspace,
    place: LakePartition,
    sources: Sequence[tuple[str, str]],
) -> list[tuple[Any, ...]]:
    """Meters of one partition whose clock differs between two exports."""
    storage = workspace.storage
    named = {"file_hash": [h for h, _ in sources], "export_name": [e for _, e in sources]}
    connection.register("landing_export", pa.table(named))
    with storage.at_hand(storage.files(workspace.lake / place.path, "*.parquet")) as here:
        files = {"files": literals(local_paths(here))}
        if run_sql(connection, "20_validate/shared_meter", files).fetchone() is None:
            return []
        return run_sql(connection, "20_validate/shifted_meter", files).fetchall()


def read_findings(
    workspace: Workspace,
    stat_files: Sequence[Path | str],
    meters: Meters,
    *,
    stuck_files: Sequence[Path | str],
    units: UnitSystem,
    replaced_files: Sequence[Path | str] = (),
) -> tuple[Finding, ...]:
    """Findings on meters whose reads show a wrong unit, clock or a stuck register.

    Parameters
    ----------
    stat_files
        The months' statistics of the profiles in force.
    meters
        The meter list, for the account of each meter.
    stuck_files
        Stuck registers found in the same profiles.
    replaced_files
        Estimates that replaced reads, found in the same profiles.
    units
        Units of messages; evidence is in US units.
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
        with interruptible(connect(spill=workspace.scratch)) as connection:
            words = UnitNames(units)
            found += _from_profiles(
                connection, stat_files, stuck_files, meters, accounts, words
            )
            found += _of_estimates(connection, replaced_files, accounts)
    return tuple(f for f in found if f.account_id)


def _from_profiles(
    connection: duckdb.DuckDBPyConnection,
    stat_files: Sequence[Path | str],
    stuck_files: Sequence[Path | str],
    meters: Meters,
    accounts: dict[str, str],
    words: UnitNames,
) -> list[Finding]:
    stats = {"stat_files": literals(stat_files)}
    jumps = frame(connection, "20_validate/suspect_multiplier", stats).to_dicts()
    connection.register("meter_class", _classes(meters).to_arrow())
    beyond = frame(connection, "20_validate/beyond_size", stats).to_dicts()
    jumped = {row["meter_id"] for row in jumps}
    beyond = [row for row in beyond if row["meter_id"] not in jumped]
    jumped |= {row["meter_id"] for row in beyond}
    unlike = [
        row
        for row in frame(connection, "20_validate/unlike_class", stats).to_dicts()
        if row["meter_id"] not in jumped
    ]
    files = {"stuck_files": literals(stuck_files)}
    stuck = (
        frame(connection, "20_validate/stuck_meter", files).to_dicts() if stuck_files else []
    )
    return [
        *(_multiplier_finding(accounts, row, words) for row in jumps),
        *(_beyond_finding(accounts, row, words) for row in beyond),
        *(_unlike_finding(accounts, row, words) for row in unlike),
        *(_stuck_finding(accounts, row, words) for row in stuck),
    ]


def _of_estimates(
    connection: duckdb.DuckDBPyConnection,
    replaced_files: Sequence[Path | str],
    accounts: dict[str, str],
) -> list[Finding]:
    if not replaced_files:
        return []
    files = {"replaced_files": [str(f) for f in replaced_files]}
    return [
        _finding(
            accounts,
            str(row["meter_id"]),
            "estimate_replaces_read",
            message=(
                f"{row['read_count']:,} measured or edited reads from "
                f"{row['first_at']:%Y-%m-%d} to {row['last_at']:%Y-%m-%d} (UTC) are replaced "
                "by estimates, because of supersedes or longer intervals"
            ),
            evidence={
                "read_count": row["read_count"],
                "first_at": row["first_at"].isoformat(),
                "last_at": row["last_at"].isoformat(),
            },
        )
        for row in frame(connection, "20_validate/replaced_meter", files).to_dicts()
    ]


def _classes(meters: Meters) -> pl.DataFrame:
    return (
        meters.frame.sort("installed_on", "line", nulls_last=False)
        .unique("meter_id", keep="last", maintain_order=True)
        .select("meter_id", "customer_class", "size_in")
    )


def _clock_finding(accounts: dict[str, str], row: tuple[object, ...]) -> Finding:
    meter_id, first, second, shift_min, share, month, reads = row
    return _finding(
        accounts,
        str(meter_id),
        "clock_shift",
        message=(
            f"exports {first} and {second} have the same volumes shifted by "
            f"{plain_number(abs(float(str(shift_min))))} min: "
            "possible interval start/end mix-up or clock error"
        ),
        evidence={
            "shift_min": shift_min,
            "agree_share": round(float(str(share)), 4),
            "month": month,
            "read_count": reads,
        },
    )


def _multiplier_finding(
    accounts: dict[str, str], row: dict[str, Any], words: UnitNames
) -> Finding:
    before, after = (_volume(row[f"{when}_gal_per_day"], words) for when in ("before", "after"))
    return _finding(
        accounts,
        str(row["meter_id"]),
        "suspect_multiplier",
        message=(
            f"daily volume changed from {before} to {after} "
            f"in {row['month_on']:%Y-%m} and stayed there: "
            f"a factor of {plain_number(row['factor'])}, possible wrong unit or multiplier"
        ),
        evidence={
            "factor": row["factor"],
            "before_gal_per_day": round(float(str(row["before_gal_per_day"])), 3),
            "after_gal_per_day": round(float(str(row["after_gal_per_day"])), 3),
            "month_on": str(row["month_on"]),
        },
    )


def _finding(
    accounts: dict[str, str], meter_id: str, code: str, message: str, evidence: dict[str, Any]
) -> Finding:
    """A finding with the severity of its code, on the account that the meter serves."""
    return Finding(
        account_id=accounts.get(meter_id, ""),
        meter_id=meter_id,
        code=code,
        severity=FINDING_CODES[code].severity,
        message=message,
        evidence=evidence,
    )


def _volume(gal: float, words: UnitNames) -> str:
    """A volume for a sentence."""
    figure = f"{gal * words.volume_per_gal:,.{1 if words.is_metric else 0}f}"
    return f"{figure} {words.volume_unit}"


def _unlike_finding(accounts: dict[str, str], row: dict[str, Any], words: UnitNames) -> Finding:
    size = size_label(row["size_in"], units=words.system)
    times = row["gal_per_day"] / row["class_gal_per_day"]
    times_text = (
        f"{plain_number(times, 3)} times"
        if times >= 1
        else f"1/{plain_number(1 / times, 3)} of"
    )
    return _finding(
        accounts,
        str(row["meter_id"]),
        "suspect_multiplier",
        message=(
            f"{_volume(row['gal_per_day'], words)} per day, {times_text} the median of "
            f"{row['class_count']:,} meters of class {row['customer_class']} and "
            f"{size}: a factor of {plain_number(row['factor'])}, "
            "possible wrong unit or multiplier"
        ),
        evidence={
            "factor": row["factor"],
            "gal_per_day": round(row["gal_per_day"], 3),
            "class_gal_per_day": round(row["class_gal_per_day"], 3),
            "class_count": row["class_count"],
        },
    )


def _beyond_finding(accounts: dict[str, str], row: dict[str, Any], words: UnitNames) -> Finding:
    peak, limit = (
        f"{plain_number(row[k] * words.flow_per_gpm, 3)} {words.flow_unit}"
        for k in ("peak_gpm", "limit_gpm")
    )
    return _finding(
        accounts,
        str(row["meter_id"]),
        "suspect_multiplier",
        message=(
            f"peaks of {peak} through {size_label(row['size_in'], units=words.system)}, of "
            f"which no pipe carries more than {limit}: a wrong unit, multiplier or size?"
        ),
        evidence={
            "factor": row["factor"],
            "peak_gpm": round(row["peak_gpm"], 3),
            "limit_gpm": round(row["limit_gpm"], 3),
        },
    )


def _stuck_finding(accounts: dict[str, str], row: dict[str, Any], words: UnitNames) -> Finding:
    return _finding(
        accounts,
        str(row["meter_id"]),
        "stuck_register",
        message=(
            f"register did not advance from {row['from_at']:%Y-%m-%d} to "
            f"{row['until_at']:%Y-%m-%d} (UTC), then jumped by "
            f"{_volume(row['registered_gal'], words)}"
            + (f"; {row['times']:,} times in all" if row["times"] > 1 else "")
        ),
        evidence={
            "from_at": row["from_at"].isoformat(),
            "until_at": row["until_at"].isoformat(),
            "registered_gal": round(row["registered_gal"], 3),
            "stuck_days": round(row["stuck_days"], 3),
            "times": row["times"],
        },
    )
