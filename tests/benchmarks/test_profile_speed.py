"""How fast a partition is profiled: against DuckDB's bare histogram and exact quantiles.

Run by hand: `python -m pytest -m bench -s tests/benchmarks/test_profile_speed.py`. Both read
the same lake file in the same run, on one thread; figures are processor time. Reads are bursty:
hours without use, volumes over three decades, registers of 0.1, 1 and 10 gal, one estimate in
200. `contested` repeats the reads of one meter in 50.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipelines.stages.profile.profile_tables import write_table
from pipelines.stages.profile.reduce import reduce_partition
from pipelines.work.bucket_work import bucket_connection

_RUNS = 3
_READS = """
    select
        'M' || lpad(m::varchar, 7, '0') as meter_id,
        timestamptz '2025-01-01 06:00+00' + to_minutes((step * {minutes})::bigint) as start_at,
        {minutes}::float as interval_min,
        case
            when hash(m * 31 + step * 7) % 10 < m % 9 then 0
            else round(
                exp(
                    1 + (m % 50) / 12.0
                    + 1.1 * ((hash(m * 1000 + step) % 1000 + hash(m * 77 + step * 13) % 1000
                    + hash(m * 5 + step * 3) % 1000) / 500.0 - 3)
                ) * {minutes} / 60 / [0.1, 1, 1, 10][1 + m % 4]
            ) * [0.1, 1, 1, 10][1 + m % 4]
        end::double as registered_gal,
        if(hash(m + step * 77) % 200 = 0, 'estimated', 'measured') as quality,
        null::float as peak_register_gpm,
        1 as landed_seq,
        row_number() over ()::bigint as source_line
    from range({steps}) as t(step), range({meters}) as u(m)
"""
_BARE = (
    "create table band as select meter_id, if(registered_gal <= 0, -1,"
    " floor(log10(registered_gal / interval_min / 0.001) * 20)) as band, count(*),"
    " sum(registered_gal) from read_parquet($file) group by all",
    "create table quantile as select meter_id, quantile_cont(registered_gal / interval_min,"
    " [0.5, 0.95, 0.99]) from read_parquet($file) group by all",
)


def lake_file(path: Path, *, minutes: int, reads: int, contested: bool = False) -> int:
    """Write a month of reads; how many."""
    steps = 744 * 60 // minutes
    sql = _READS.format(minutes=minutes, steps=steps, meters=reads // steps)
    if contested:
        sql = f"with once as ({sql}) from once union all from once where meter_id like '%00'"
        sql = f"{sql} or meter_id like '%50'"
    with duckdb.connect() as connection:
        connection.execute(f"copy ({sql}) to '{path}' (format parquet, compression lz4)")
        found = connection.execute(f"select count(*) from '{path}'").fetchone()
    assert found is not None
    return int(found[0])


def least_seconds(work: Callable[[duckdb.DuckDBPyConnection], None], scratch: Path) -> float:
    """Processor time of the fastest of some runs."""
    taken = []
    for _ in range(_RUNS):
        with bucket_connection(scratch) as connection:
            began = time.process_time()
            work(connection)
            taken.append(time.process_time() - began)
    return min(taken)


def ratio(path: Path, reads: int, name: str) -> float:
    """Processor time of the profile, its tables written, in that of the bare statements."""

    def bare(connection: duckdb.DuckDBPyConnection) -> None:
        for statement in _BARE:
            connection.execute(statement, {"file": str(path)})

    def profile(connection: duckdb.DuckDBPyConnection) -> None:
        made = reduce_partition(
            connection, interval=[path], register=[], timezone="America/Denver"
        )
        for name, table in made.items():
            write_table(table, path.with_name(f"{name}.out"))

    baseline, made = (least_seconds(work, path.parent) for work in (bare, profile))
    print(
        f"\n{name}: {reads:,} reads, bare {baseline / reads * 1e9:.0f} ns a read, profile "
        f"{made / reads * 1e9:.0f} ns, ratio {made / baseline:.2f}"
    )
    return made / baseline


@pytest.mark.bench
@pytest.mark.parametrize(
    ("name", "minutes", "contested"),
    [("hourly", 60, False), ("15 min", 15, False), ("hourly, 2 % contested", 60, True)],
)
def test_profile_against_bare_statements(
    tmp_path: Path, name: str, minutes: int, contested: bool
) -> None:
    path = tmp_path / "reads.parquet"
    reads = lake_file(path, minutes=minutes, reads=2_300_000, contested=contested)
    ratio(path, reads, name)


@pytest.mark.heavy
@pytest.mark.heavy_ci
def test_the_profile_has_not_become_slow(tmp_path: Path) -> None:
    """A wide margin: 3 to 4 where this was written; SQL alone took 20."""
    path = tmp_path / "reads.parquet"
    reads = lake_file(path, minutes=60, reads=1_000_000)
    assert ratio(path, reads, "hourly") < 8
