"""The span of a matrix of reads, and sums that hang on nobody else's reads."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from pipelines.stages.profile.grid_reads import GridReads, matrices, month_span_us

HOUR_US = 3_600_000_000


def us(text: str) -> int:
    return int(dt.datetime.fromisoformat(text).timestamp()) * 1_000_000


@pytest.mark.parametrize(
    ("zone", "read", "begin", "end"),
    [
        ("UTC", "2025-02-10T05:00+00:00", "2025-02-01T00:00+00:00", "2025-03-01T00:00+00:00"),
        ("America/Denver", "2025-03-09T12:00-06:00", "2025-03-01T00:00-07:00",
         "2025-04-01T00:00-06:00"),
        ("Asia/Kolkata", "2025-12-31T23:00+05:30", "2025-12-01T00:00+06:00",
         "2026-01-01T00:00+05:00"),
    ],
)  # fmt: skip
def test_a_matrix_spans_the_local_month_in_full_hours(zone, read, begin, end):
    assert month_span_us(us(read), us(read), zone) == (us(begin), us(end))


def test_a_meters_cells_stand_where_they_stand_without_the_others():
    """LAW: reads of another meter before and after move no cell, so no order of addition."""
    start = us("2025-01-10T00:00+00:00") + np.arange(50) * HOUR_US

    def cells(*, beside: bool) -> np.ndarray:
        others = us("2025-01-02T00:00+00:00") + np.arange(600) * HOUR_US
        starts = np.concatenate([start, others]) if beside else start
        meter = np.repeat([0, 1], [50, 600]) if beside else np.zeros(50)
        count = len(starts)
        reads = GridReads(
            names=np.array(["a", "b"][: 1 + beside], dtype=object),
            peak_gpm=np.full(1 + beside, np.nan),
            meter=meter.astype(np.int32),
            minute=(starts // 60_000_000).astype(np.int32),
            interval_min=np.full(count, 60, np.float32),
            gal=np.arange(count, dtype=np.float64) + 0.1,
            kind=np.ones(count, np.uint8),
        )
        (matrix,) = matrices(reads, np.ones(1 + beside, np.bool_), "UTC")
        return matrix.gal[0]

    np.testing.assert_array_equal(cells(beside=False), cells(beside=True))
