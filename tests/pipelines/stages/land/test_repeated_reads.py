"""How many reads of a file repeat a meter and time, by month and bucket."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from pipelines.stages.land import lake_parts
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


@pytest.mark.parametrize("at_once", [10**6, 0])
@pytest.mark.parametrize("every", [0, 3, 1])
def test_repeated_reads_are_counted_where_they_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int, every: int
) -> None:
    """None, some or all of the reads sent twice, compared at once or file by file."""
    monkeypatch.setattr(lake_parts, "_COMPARED_AT_ONCE", at_once)
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
