"""Parquet exports: typed columns give the same reads as text."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from pipelines.sources import parquet_file
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


_ODD = """
    select
        case when k % 17 = 0 then ' M1 ' when k % 19 = 0 then null else 'M' || k % 3 end
            as meter_id,
        case
            when k % 13 = 0 then null
            when k % 29 = 0 then 'infinity'::{time}
            when k % 31 = 0 then timestamp '0044-03-15 (BC) 01:00'::{time}
            when k % 37 = 0 then timestamp '12025-06-01 01:00'::{time}
            when k % 41 = 0 then timestamp '2025-06-01 01:00:30.25'::{time}
            else (timestamp '2025-06-01' + to_hours(k))::{time}
        end as read_at,
        {volume} as volume,
        [null, 'A', ' e', 'odd', 'missing'][1 + k % 5] as quality,
        [null, 60, 15.5, -1][1 + k % 4]::double as interval_min,
        [null, 3.5, 1e300, 'nan'::double][1 + k % 4] as peak
    from range(1, 400) as t(k)
"""
_DOUBLES = "[null, k * 0.1, 'nan'::double, 'inf'::double, -0.1, 1e-300][1 + k % 6]"
_PLACES = {"file_hash", "source_file", "filename"}
_COLUMNS = {
    "meter_id": "meter_id",
    "at": "read_at",
    "volume": "volume",
    "quality": "quality",
    "interval_min": "interval_min",
    "peak": "peak",
}


@pytest.mark.parametrize("time", ["timestamp", "timestamp_s", "timestamp_ms"])
@pytest.mark.parametrize("volume", [_DOUBLES, "(k * 10 - 500)::bigint", "k::tinyint"])
def test_typed_columns_are_read_as_their_texts_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, time: str, volume: str
) -> None:
    """LAW: whatever the values, reads and refused rows are those of the columns' texts."""
    volume = volume.replace("k::tinyint", "(k % 100)::tinyint")
    found = []
    for name in ("typed", "text"):
        utility = Utility(tmp_path / name, {"columns": _COLUMNS})
        write_parquet(utility, _ODD.format(time=time, volume=volume))
        if name == "text":
            monkeypatch.setattr(parquet_file, "_is_typed", lambda *_: False)
        summary = utility.land()
        (file,) = summary.files
        reads, rejected = (
            [{k: v for k, v in row.items() if k not in _PLACES} for row in rows]
            for rows in (utility.lake(), utility.rejected())
        )
        found.append((reads, rejected, file.rows_landed, file.note, file.gal_landed))
    assert found[0][0]
    assert found[0][1]
    assert repr(found[0]) == repr(found[1])
