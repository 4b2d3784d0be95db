"""Registers whose volumes are plain differences give what the statement of all cases gives."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.stages.profile.profile_tables import TABLES
from pipelines.stages.profile.reduce import reduce_partition
from tests.pipelines.stages.profile.test_grid import as_written, assert_equal

BEGIN = dt.datetime(2025, 11, 1, 6, tzinfo=dt.UTC)  # clocks go back on the 2nd
SCHEMA = pa.schema(
    [
        ("meter_id", pa.string()),
        ("read_at", pa.timestamp("us", "UTC")),
        ("reading_gal", pa.float64()),
        ("quality", pa.string()),
        ("peak_register_gpm", pa.float32()),
        ("landed_seq", pa.int32()),
        ("source_line", pa.int64()),
        ("gal_per_count", pa.float64()),
        ("dial_limit_gal", pa.float64()),
    ]
)
ODD = ["no", "no", "no", "back", "reset", "gap", "twice", "stuck", "late"]


@st.composite
def registers(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Readings of some meters: most rise at even times, some have what needs a closer look."""
    rows: list[dict[str, Any]] = []
    for k in range(draw(st.integers(1, 5))):
        random = draw(st.randoms(use_true_random=False))
        minutes = draw(st.sampled_from([15, 60, 60, 1440]))
        step = draw(st.sampled_from([0.1, 1.0, 7.48052, 100.0]))
        odd, dry = draw(st.sampled_from(ODD)), draw(st.sampled_from([20, 60, 97]))
        count = draw(st.integers(1, 200))
        shift = dt.timedelta(seconds=7) if odd == "late" else dt.timedelta()
        total = random.choice([0.0, 995.0, 1e6])
        for n in range(count):
            rise = 0 if random.randint(0, 99) < dry else random.randint(1, 40)
            total += rise * step
            row = {
                "meter_id": f"M{k}",
                "read_at": BEGIN + dt.timedelta(minutes=minutes * n) + shift,
                "reading_gal": total,
                "quality": random.choice(
                    ["measured"] * 12 + ["estimated", "edited", "missing"]
                ),
                "gal_per_count": step,
            }
            if random.randint(0, 29) == 0:
                if odd == "gap":
                    continue
                if odd == "twice":
                    rows.append({**row, "reading_gal": total + step})
                if odd == "stuck":
                    total += 500 * step
                if odd in ("back", "reset"):
                    total -= step if odd == "back" else total
            rows.append(row)
    return rows


def register_file(rows: list[dict[str, Any]], path: Path) -> Path:
    numbered = [{**row, "landed_seq": 1, "source_line": n} for n, row in enumerate(rows, 2)]
    pq.write_table(pa.Table.from_pylist(numbered, SCHEMA), path)
    return path


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=registers())
def test_plain_differences_are_what_the_statement_finds(
    tmp_path: Path, rows: list[dict[str, Any]]
) -> None:
    """LAW: of any readings, in two files, the second that of the next month."""
    files = [register_file(rows[n::2], tmp_path / f"{n}.parquet") for n in (0, 1) if rows[n::2]]
    made = []
    for sql_only in (False, True):
        with duckdb.connect(config={"threads": 1}) as connection:
            connection.execute("set TimeZone = 'UTC'")
            tables = reduce_partition(
                connection,
                interval=[],
                register=files[:1],
                next_register=files[1:],
                timezone="America/Denver",
                sql_only=sql_only,
            )
        made.append({n: as_written(t, tmp_path / "t.parquet") for n, t in tables.items()})
    for name in TABLES:
        assert_equal(made[0][name], made[1][name], name)


def test_most_registers_are_taken_without_the_statement(tmp_path: Path) -> None:
    rows = [
        {
            "meter_id": f"M{k}",
            "read_at": BEGIN + dt.timedelta(hours=n),
            "reading_gal": float(n // (1 + k)),
            "quality": "measured",
            "gal_per_count": 1.0,
        }
        for k in range(3)
        for n in range(100)
    ]
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        tables = reduce_partition(
            connection,
            interval=[],
            register=[register_file(rows, tmp_path / "r.parquet")],
            timezone="UTC",
        )
        taken = connection.sql("select meter_id from taken_register").fetchall()
    assert taken == [("M0",), ("M1",), ("M2",)]
    assert tables["month_stat"]["registered_gal"].to_pylist() == pytest.approx([99, 49, 33])
    (counted,) = tables["balance"].to_pylist()
    assert (counted["rows"], counted["current_rows"], counted["current_gal"]) == (300, 300, 181)
