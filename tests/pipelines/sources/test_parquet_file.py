"""Parquet exports: typed columns give the same reads as text."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from tests.pipelines.exports import Utility


def write_parquet(utility: Utility, query: str) -> None:
    path = utility.folder / "exports" / "reads.parquet"
    with duckdb.connect() as connection:
        connection.execute("set TimeZone = 'UTC'")
        connection.execute(f"copy ({query}) to '{path}' (format parquet)")


@pytest.mark.parametrize(
    ("stamp", "start"),
    [
        ("timestamp '2025-06-01 01:00'", datetime(2025, 6, 1, 6)),
        ("timestamptz '2025-06-01 01:00+00'", datetime(2025, 6, 1, 0)),
        ("1748739600", datetime(2025, 6, 1, 0)),
        ("'2025-06-01 01:00'", datetime(2025, 6, 1, 6)),
    ],
)
def test_stamps_of_every_type(tmp_path: Path, stamp: str, start: datetime) -> None:
    utility = Utility(tmp_path, {})
    write_parquet(
        utility, f"select 'M1' as meter_id, {stamp} as read_at, 0.1::double as volume"
    )
    utility.land()
    read = utility.lake()[0]
    assert (read["start_at"], read["registered_gal"]) == (start, 0.1)
    assert read["source_line"] == 1


def test_wide_and_register_files(tmp_path: Path) -> None:
    utility = Utility(tmp_path / "w", {"layout": "wide"})
    cells = ", ".join(f"{k}::double as h{k}" for k in range(1, 25))
    write_parquet(utility, f"select 'M1' as meter_id, date '2025-06-01' as date, {cells}")
    utility.land()
    assert [r["registered_gal"] for r in utility.lake()] == [float(k) for k in range(1, 25)]
    utility = Utility(tmp_path / "r", {"layout": "register"})
    write_parquet(
        utility,
        "select 'M1' as meter_id, timestamp '2025-06-01' as at, 7 as reading, 'E' as quality",
    )
    utility.land()
    assert [(r["reading_gal"], r["quality"]) for r in utility.lake("register")] == [
        (7.0, "estimated")
    ]


def test_a_broken_file_is_told_and_passed(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {})
    write_parquet(utility, "select 'M1' as meter_id, 1748739600 as read_at, 1 as volume")
    path = utility.folder / "exports" / "reads.parquet"
    (utility.folder / "exports" / "broken.parquet").write_bytes(path.read_bytes()[:-20])
    summary = utility.land()
    assert summary.rows_accepted == 1
    assert [p.path.name for p in summary.problems] == ["broken.parquet"]
