"""A meter stuck several times is told by its longest period, whatever the files' order."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipelines.store.resources import sql_text


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_of_periods_of_one_length_the_first_is_told(
    tmp_path: Path, order: tuple[int, ...]
) -> None:
    files = []
    for month, minutes in ((3, 780.0), (4, 780.0), (5, 60.0)):
        at = dt.datetime(2025, month, 11, 3, tzinfo=dt.UTC)
        files.append(str(tmp_path / f"{month}.parquet"))
        pq.write_table(
            pa.table(
                {
                    "meter_id": ["M1"],
                    "from_at": pa.array([at], pa.timestamp("us", "UTC")),
                    "stuck_min": [minutes],
                    "registered_gal": [float(month)],
                }
            ),
            files[-1],
        )
    with duckdb.connect(config={"threads": 1}) as connection:
        (row,) = connection.execute(
            sql_text("20_validate/stuck_meter"), {"stuck_files": [files[n] for n in order]}
        ).fetchall()
    assert (row[1].month, row[3], row[5]) == (3, 3.0, 3)
