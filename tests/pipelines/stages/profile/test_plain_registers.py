"""Registers whose volumes are plain differences give what the statement of all cases gives."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.stages.profile.profile_tables import TABLES
from pipelines.stages.profile.reduce import reduce_partition
from tests.pipelines.stages.profile.test_grid import (
    as_written,
    assert_equal,
    lake_file,
    meters,
)

BEGIN = dt.datetime(2025, 11, 1, 6, tzinfo=dt.UTC)  # clocks go back on the 2nd
LATE = dt.datetime(2025, 11, 30, 6, tzinfo=dt.UTC)
NEXT_MONTH, FAR_MONTH = (dt.datetime(*m, 1, 7, tzinfo=dt.UTC) for m in ((2025, 12), (2026, 1)))
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
QUALITIES = ["measured"] * 12 + ["estimated", "questionable", "edited", "missing"]
ODD = [
    "no",
    "no",
    "no",
    "back",
    "reset",
    "gap",
    "twice",
    "stuck",
    "late",
    "far",
    "digits",
    "over",
]


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
        begin = draw(st.sampled_from([BEGIN, LATE]))
        words = draw(st.sampled_from([["measured"], QUALITIES[:-1], QUALITIES]))
        total = random.choice([0.0, 995.0, 1e6])
        for n in range(count):
            rise = 0 if random.randint(0, 99) < dry else random.randint(1, 40)
            total += rise * step
            row = {
                "meter_id": f"M{k}",
                "read_at": begin + dt.timedelta(minutes=minutes * n) + shift,
                "reading_gal": total,
                "quality": random.choice(words),
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
                if odd == "over":
                    total = random.choice([9990.0, 0.0, 40.0])
                if odd == "far":
                    shift = dt.timedelta(days=62)
                if odd == "digits":
                    row["reading_gal"] = random.choice([None, math.nan, math.inf])
            rows.append(row)
    return rows


def register_file(rows: list[dict[str, Any]], path: Path) -> Path:
    seq = ord(path.stem[0])  # a landed file has its own
    numbered = [{**row, "landed_seq": seq, "source_line": n} for n, row in enumerate(rows, 2)]
    pq.write_table(pa.Table.from_pylist(numbered, SCHEMA), path)
    return path


def reduced(
    folder: Path, rows: list[dict[str, Any]], interval: list[Path], *, sql_only: bool
) -> dict[str, pa.Table]:
    """Tables of November, its readings in two files, those of later months in others."""
    month = [row for row in rows if row["read_at"] < NEXT_MONTH]
    later = [row for row in rows if NEXT_MONTH <= row["read_at"] < FAR_MONTH]
    far = [row for row in rows if row["read_at"] >= FAR_MONTH]
    files = [
        [register_file(part, folder / f"{name}.parquet")] if part else []
        for name, part in (("a", month[::2]), ("b", month[1::2]), ("n", later), ("f", far))
    ]
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        tables = reduce_partition(
            connection,
            interval=interval,
            register=files[0] + files[1],
            next_register=files[2],
            far_register=files[3],
            timezone="America/Denver",
            sql_only=sql_only,
        )
    return {name: as_written(t, folder / "t.parquet") for name, t in tables.items()}


@settings(
    max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=registers(), reads=st.none() | meters(BEGIN))
def test_plain_differences_are_what_the_statement_finds(
    tmp_path: Path, rows: list[dict[str, Any]], reads: list[dict[str, Any]] | None
) -> None:
    """LAW: of any readings of three months, beside interval reads of the same names or none."""
    interval = [lake_file(reads, tmp_path / "i.parquet")] if reads else []
    made, wanted = (
        reduced(tmp_path, rows, interval, sql_only=sql_only) for sql_only in (False, True)
    )
    for name in TABLES:
        assert_equal(made[name], wanted[name], name)


def test_files_of_overlapping_months_are_left_to_the_statement(tmp_path: Path) -> None:
    rows = [reading("M1", n, float(n)) for n in range(100)]
    files = [register_file(rows[n::2], tmp_path / f"{n}.parquet") for n in (0, 1)]
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        tables = reduce_partition(
            connection,
            interval=[],
            register=files[:1],
            next_register=files[1:],
            timezone="UTC",
        )
        handed = connection.sql("select meter_id from handed_register").fetchall()
    assert handed == [("M1",)]
    assert tables["month_stat"]["registered_gal"].to_pylist() == [50]


def reading(meter: str, hour: int, gal: float) -> dict[str, Any]:
    return {
        "meter_id": meter,
        "read_at": BEGIN + dt.timedelta(hours=hour),
        "reading_gal": gal,
        "quality": "measured",
        "gal_per_count": 1.0,
    }


def test_only_registers_that_need_it_go_to_the_statement(tmp_path: Path) -> None:
    rows = [reading(f"M{k}", n, float(n // (1 + k))) for k in range(3) for n in range(100)]
    rows += [reading("M3", n, float(n)) for n in range(100) if n != 50]
    rows += [reading("M4", n, float(n)) for n in range(100)] + [reading("M4", 7, 7.0)]
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        tables = reduce_partition(
            connection,
            interval=[],
            register=[register_file(rows, tmp_path / "r.parquet")],
            timezone="UTC",
        )
        handed = connection.sql("select meter_id from handed_register").fetchall()
    assert handed == [("M3",), ("M4",)]
    of_meter = tables["month_stat"]["registered_gal"].to_pylist()
    assert of_meter == [99, 49, 33, 97, 2, 99]  # M3: hours, and a gap of two
    (counted,) = tables["balance"].to_pylist()
    assert (counted["rows"], counted["current_rows"], counted["superseded_rows"]) == (
        500,
        499,
        1,
    )
    assert counted["current_gal"] == sum(of_meter)
