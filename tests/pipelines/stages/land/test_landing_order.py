"""The lake's rows are in no order; what is added up is, however many threads landed them."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.stages.profile.profile import profile
from tests.pipelines.exports import Utility

METERS, HOURS = 400, 700  # more than two row groups, so that two threads have work


@pytest.fixture(scope="module")
def reads(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("reads") / "reads.csv"
    with duckdb.connect() as connection:
        connection.execute(
            "copy (select 'M' || m as meter_id, "
            "strftime(timestamp '2025-05-03 01:00' + to_hours(h), '%Y-%m-%d %H:%M') "
            "as interval_end, (hash(m * 1000 + h) % 9973) / 97.0 as volume "
            f"from range({METERS}) as t(m), range({HOURS}) as u(h) order by h, m) "
            f"to '{path}' (header)"
        )
    return path


def sums(folder: Path, reads: Path) -> dict[str, pl.DataFrame]:
    utility = Utility(folder, {}, timezone="UTC")
    (utility.folder / "exports" / "reads.csv").symlink_to(reads)
    assert utility.land().rows_accepted == METERS * HOURS
    folders = profile(utility.workspace, timezone="UTC").folders
    return {
        f"{f.parent.parent.name}/{f.parent.name}/{f.name}/{t}": pl.read_parquet(
            f / f"{t}.parquet"
        )
        for f in folders
        for t in ("month_stat", "month_band", "balance")
    }


def test_sums_are_the_same_to_the_bit_for_any_number_of_threads(
    tmp_path: Path, reads: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = []
    for threads in ("1", "2"):
        monkeypatch.setenv("RIGHTSIZE_THREADS", threads)
        found.append(sums(tmp_path / threads, reads))
    assert found[0].keys() == found[1].keys()
    assert all(found[0][name].equals(found[1][name]) for name in found[0])
