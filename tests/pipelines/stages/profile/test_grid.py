"""Reads reduced as matrices give what the statements of `sql/30_profile` give.

The statements are the reference: they treat reads of any kind, one road for all meters.
"""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.stages.profile.profile_tables import TABLES, write_table
from pipelines.stages.profile.reduce import reduce_partition

MONTHS = {
    "America/Denver": dt.datetime(2025, 11, 1, 6, tzinfo=dt.UTC),  # clocks go back on the 2nd
    "Asia/Kathmandu": dt.datetime(2025, 4, 30, 18, 15, tzinfo=dt.UTC),  # 5 h 45 min off
    "America/Havana": dt.datetime(2025, 11, 1, 4, tzinfo=dt.UTC),  # go back at midnight
}
SCHEMA = pa.schema(
    [
        ("meter_id", pa.string()),
        ("start_at", pa.timestamp("us", "UTC")),
        ("interval_min", pa.float32()),
        ("registered_gal", pa.float64()),
        ("quality", pa.string()),
        ("peak_register_gpm", pa.float32()),
        ("landed_seq", pa.int32()),
        ("source_line", pa.int64()),
    ]
)
QUALITIES = ["measured"] * 6 + ["edited", "estimated", "questionable", "missing"]
DIFFERENCE = 1e-9
"""Of two sums in another order, relative, or [gal], [gpm], [gpm2] near zero."""


@st.composite
def meters(draw: st.DrawFn, start_at: dt.datetime) -> list[dict[str, Any]]:
    """Reads of a few meters: most on a grid, some with repeats, odd starts or two lengths."""
    rows: list[dict[str, Any]] = []
    for k in range(draw(st.integers(1, 4))):
        minutes = draw(st.sampled_from([5, 15, 30, 60, 60, 240, 1440]))
        random = draw(st.randoms(use_true_random=False))
        step = draw(st.sampled_from([0.01, 0.1, 1.0, 10.0, 7.48052]))
        holes = draw(st.sampled_from([0, 0, 5, 90]))
        odd = draw(st.sampled_from(["no", "no", "no", "repeat", "off", "length", "backward"]))
        at = start_at.replace(minute=0) if minutes <= 60 else start_at
        for n in range(draw(st.integers(1, 400))):
            if random.randint(0, 99) < holes:
                continue
            volume = max(0, random.randint(-3, 9)) * random.choice([0, 1, 5]) * step
            row = {
                "meter_id": f"M{k}",
                "start_at": at + dt.timedelta(minutes=minutes * n),
                "interval_min": minutes,
                "registered_gal": volume,
                "quality": random.choice(QUALITIES),
                "peak_register_gpm": random.choice([None, None, 0.5, 12.25]),
            }
            if row["quality"] == "missing":
                row["registered_gal"] = random.choice([None, 0.0, 3.0])
            rows.append(row)
            if random.randint(0, 19) == 0:
                if odd == "repeat":
                    rows.append({**row, "registered_gal": volume + step, "quality": "edited"})
                elif odd == "off":
                    row["start_at"] += dt.timedelta(minutes=1)
                elif odd == "length":
                    row["interval_min"] = minutes / 2
                elif odd == "backward" and row["quality"] != "missing":
                    row["registered_gal"] = -step
    draw(st.randoms(use_true_random=False)).shuffle(rows)
    return rows


def lake_file(rows: list[dict[str, Any]], path: Path) -> Path:
    numbered = [{**row, "landed_seq": 1, "source_line": n} for n, row in enumerate(rows, 2)]
    pq.write_table(pa.Table.from_pylist(numbered, SCHEMA), path)
    return path


def reduced(files: list[Path], timezone: str, *, sql_only: bool) -> dict[str, pa.Table]:
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        tables = reduce_partition(
            connection, interval=files, register=[], timezone=timezone, sql_only=sql_only
        )
    return {
        name: as_written(table, files[0].with_name("written.parquet"))
        for name, table in tables.items()
    }


def as_written(table: pa.Table, path: Path) -> pa.Table:
    """The table as it reads from its file, without dictionaries."""
    write_table(table, path)
    return pq.read_table(path)


def assert_equal(made: pa.Table, wanted: pa.Table, name: str) -> None:
    assert made.schema == wanted.schema
    assert len(made) == len(wanted), name
    for column in made.column_names:
        both = zip(made[column].to_pylist(), wanted[column].to_pylist(), strict=True)
        for ours, theirs in both:
            if isinstance(ours, float) and isinstance(theirs, float):
                near = math.isclose(ours, theirs, rel_tol=DIFFERENCE, abs_tol=DIFFERENCE)
                near |= math.isnan(ours) and math.isnan(theirs)
                assert near, f"{name}.{column}: {ours} and {theirs}"
            else:
                assert ours == theirs, f"{name}.{column}"


@pytest.mark.parametrize("timezone", MONTHS)
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_matrices_give_what_the_statements_give(
    timezone: str, data: st.DataObject, tmp_path: Path
) -> None:
    rows = data.draw(meters(MONTHS[timezone]))
    files = [lake_file(rows[0::2], tmp_path / "a.parquet")]
    if rows[1::2]:
        files.append(lake_file(rows[1::2], tmp_path / "b.parquet"))
    made = reduced(files, timezone, sql_only=False)
    wanted = reduced(files, timezone, sql_only=True)
    for name in TABLES:
        assert_equal(made[name], wanted[name], name)
    landed = sum(made["balance"]["rows"].to_pylist())
    assert landed == len(rows)


def test_a_repeated_read_moves_no_digit_of_its_meter(tmp_path: Path) -> None:
    """The read that counts is the same, so are its sums, whichever way it came."""
    start_at = MONTHS["America/Denver"]
    rows = [
        {
            "meter_id": "M1",
            "start_at": start_at + dt.timedelta(hours=n),
            "interval_min": 60,
            "registered_gal": (n * 7 % 13) * 0.1,
            "quality": "measured",
            "peak_register_gpm": None,
        }
        for n in range(700)
    ]
    once = lake_file(rows, tmp_path / "once.parquet")
    twice = lake_file([*rows, rows[5]], tmp_path / "twice.parquet")
    alone, repeated = (
        reduced([file], "America/Denver", sql_only=False) for file in (once, twice)
    )
    for name in ("month_stat", "month_band", "day_flow"):
        assert alone[name].equals(repeated[name])
    assert repeated["balance"]["superseded_rows"].to_pylist() == [1]
