"""How many reads of a file repeat a meter and time, by month and bucket."""

from __future__ import annotations

import tempfile
from collections import Counter
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.stages.land import repeated_reads
from pipelines.store.warehouse import work_database
from tests.pipelines.exports import HEADER, Utility


def repeated_by_part(utility: Utility) -> dict[tuple[str, int], int]:
    with work_database(utility.workspace) as work:
        rows = work.execute(
            "select month, bucket, rows_repeated from ledger.landed_partition"
        ).fetchall()
    return {(month, bucket): repeated for month, bucket, repeated in rows}


def repeated_in_lake(utility: Utility) -> dict[tuple[str, int], int]:
    """The same from the files: reads beyond the first of a meter and time."""
    found: dict[tuple[str, int], int] = {}
    for row in utility.lake():
        month, bucket = (part.partition("=")[2] for part in Path(row["filename"]).parts[-3:-1])
        key = (month, int(bucket))
        found.setdefault(key, 0)
    times = Counter((r["filename"], r["meter_id"], r["start_at"]) for r in utility.lake())
    for (name, _, _), count in times.items():
        month, bucket = (part.partition("=")[2] for part in Path(name).parts[-3:-1])
        found[month, int(bucket)] += count - 1
    return found


@pytest.mark.parametrize("at_once", [10**6, 3])
@pytest.mark.parametrize("every", [0, 3, 1])
def test_repeated_reads_are_counted_where_they_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int, every: int
) -> None:
    """None, some or all of the reads sent twice; all compared at once, or meter by meter."""
    monkeypatch.setattr(repeated_reads, "MOST_AT_ONCE", at_once)
    utility = Utility(tmp_path, {})
    lines = [
        f"M{n % 7},2025-0{5 + n // 70}-{1 + n % 28:02d} {n % 24:02d}:00,{n},A"
        for n in range(140)
    ]
    again = [line for n, line in enumerate(lines) if every and n % every == 0]
    utility.write("reads.csv", "\n".join([HEADER.strip(), *lines, *again, *again[:5]]) + "\n")
    utility.land()
    wanted = repeated_in_lake(utility)
    assert repeated_by_part(utility) == wanted
    assert sum(wanted.values()) == len(again) + len(again[:5])
    assert len(wanted) > 2


def written(path: Path, rows: list[tuple[str, int]], group: int) -> Path:
    """A lake file of meters and hours, as landing writes it, names as an enumeration."""
    with duckdb.connect(config={"threads": 1}) as connection:
        names = ", ".join(f"'{name}'" for name in sorted({name for name, _ in rows} | {"M0"}))
        connection.execute(f"create type meter_name as enum ({names})")
        meters, hours = zip(*rows, strict=True)
        connection.register("read", pa.table({"meter": meters, "hour": hours}))
        connection.execute(
            "copy (select meter::meter_name as meter_id, "
            "make_timestamptz(hour * 3600000000) as start_at from read) "
            f"to '{path}' (format parquet, row_group_size {group})"
        )
    return path


@settings(max_examples=40, deadline=None)
@given(
    hours=st.lists(st.tuples(st.integers(0, 6), st.integers(-3, 9)), min_size=1, max_size=60),
    order=st.sampled_from(["as drawn", "by meter", "by time", "by meter, some later"]),
    far=st.booleans(),
    at_once=st.sampled_from([1, 10**6]),
)
def test_repeats_are_counted_in_any_order_of_rows(
    hours: list[tuple[int, int]], order: str, far: bool, at_once: int
) -> None:
    scale = 80_000_000 if far else 1  # hours that do not fit beside a meter into one number
    rows = [(f"M{meter}", hour * scale) for meter, hour in hours]
    if order.startswith("by meter"):
        rows.sort()
    if order == "by time":
        rows.sort(key=lambda row: row[1])
    if order.endswith("later"):
        rows = rows[::2] + rows[1::2]
    wanted = sum(count - 1 for count in Counter(rows).values())
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(repeated_reads, "MOST_AT_ONCE", at_once)
        path = written(Path(folder) / "read.parquet", rows, group=2048)
        assert repeated_reads.repeated_count(path, "interval") == wanted


def test_repeats_are_found_across_groups_of_rows(tmp_path: Path) -> None:
    """Meters and times that go on, begin again or repeat where a group of rows ends."""
    hours = [(f"M{meter}", hour) for meter in range(3) for hour in range(2000)]
    for more in ([], [("M2", 1999)], [("M0", 5), ("M1", 7), ("M1", 2000)]):
        path = written(tmp_path / "read.parquet", [*hours, *more], group=2048)
        assert pq.read_metadata(path).num_row_groups > 1
        wanted = len(set(more) & set(hours))
        assert repeated_reads.repeated_count(path, "interval") == wanted
