"""Words of lake files as numbers: each read keeps its meter and its quality."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.stages.profile.lake_columns import lake_reads

WORDS = ("measured", "edited", "estimated", "questionable", "missing")
KIND = {"measured": 1, "edited": 1, "estimated": 2, "questionable": 2, "missing": 0}
ROWS = st.lists(st.tuples(st.integers(0, 19), st.sampled_from(WORDS)), min_size=1, max_size=60)
WRITER = """
copy (
    select
        ('M' || lpad(meter::varchar, 2, '0'))::name as meter_id,
        timestamptz '2025-01-01 00:00+00' + to_hours(row) as start_at,
        60::float as interval_min,
        row::double as registered_gal,
        quality::word as quality,
        null::float as peak_register_gpm
    from rows order by row
) to '{path}' (format parquet, parquet_version v2, compression lz4_raw, row_group_size 2048)
"""


def written_by_landing(path: Path, rows: list[tuple[int, str]], pad: int) -> None:
    """As landing writes: names and qualities are enumerations with words no row has."""
    table = pa.table(
        {
            "row": list(range(len(rows) * pad)),
            "meter": [m for m, _ in rows] * pad,
            "quality": [q for _, q in rows] * pad,
        }
    )
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.register("rows", table)
        connection.execute(f"create type word as enum {WORDS}")
        connection.execute(
            "create type name as enum (select 'M' || lpad(m::varchar, 2, '0') from range(20) "
            "as t(m) union select '' order by all)"
        )
        connection.execute(WRITER.format(path=path))


@pytest.mark.parametrize("pad", [1, 90])
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(files=st.lists(ROWS, min_size=1, max_size=2))
def test_each_read_keeps_its_meter_and_quality(
    tmp_path: Path, files: list[list[tuple[int, str]]], pad: int
) -> None:
    """LAW: whatever words a file's enumeration has beside those in use."""
    paths = [tmp_path / f"{n}.parquet" for n in range(len(files))]
    for path, rows in zip(paths, files, strict=True):
        written_by_landing(path, rows, pad)
    found = lake_reads(paths)
    reads = found.reads
    assert list(reads.names) == sorted({f"M{m:02d}" for rows in files for m, _ in rows})
    for rows, at in zip(files, found.rows_of_file, strict=True):
        assert [reads.names[m] for m in reads.meter[at]] == [f"M{m:02d}" for m, _ in rows] * pad
        np.testing.assert_array_equal(reads.kind[at], [KIND[q] for _, q in rows] * pad)


def test_words_that_are_missing_or_not_a_dictionary_are_read_too(tmp_path: Path) -> None:
    table = pa.table(
        {
            "meter_id": ["b", "a", "b"],
            "start_at": pa.array([0, 60_000_000, 90_000_000], pa.timestamp("us", "UTC")),
            "interval_min": pa.array([1, 1, 1], pa.float32()),
            "registered_gal": [1.0, None, 3.0],
            "quality": ["measured", None, "edited"],
            "peak_register_gpm": pa.array([None, None, 2.5], pa.float32()),
        }
    )
    pq.write_table(table, tmp_path / "r.parquet", use_dictionary=False)
    reads = lake_reads([tmp_path / "r.parquet"]).reads
    assert reads.meter.tolist() == [1, 0, 1]
    assert reads.kind.tolist() == [1, 255, 255]  # no quality; between two minutes
    assert reads.minute.tolist() == [0, 1, 1]
    np.testing.assert_array_equal(reads.peak_gpm, [np.nan, 2.5])
