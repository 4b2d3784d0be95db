"""What must not move a figure of a profile: order, splitting, merging, units, buckets, others.

Each law lands and profiles the same reads in two ways. A few examples by default; many, drawn
afresh each time, with the marker `heavy`.
"""

from __future__ import annotations

import math
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipelines.stages.profile.profile import profile
from tests.pipelines.exports import HEADER, Utility

MANY = 40
CLOSE = 1e-9  # sums of the same volumes in another order or unit differ by rounding only
L_PER_GAL = 3.785411784  # SOURCE: US gallon of 231 in3, 25.4 mm to the inch
PER_GAL = {"kgal": 1e-3, "ft3": 231 / 1728, "L": L_PER_GAL, "m3": L_PER_GAL / 1000}
BY_METER = ("month_stat", "month_band", "day_flow")

Reads = list[tuple[str, int, float, str]]  # meter, hour, volume [gal], quality
Files = dict[str, Reads]
Figures = dict[tuple[Any, ...], tuple[Any, ...]]


@st.composite
def some_reads(draw: st.DrawFn) -> Reads:
    """Reads of two months of three meters, with holes, no time of a meter twice."""
    found = []
    for meter in ("M1", "M2", "M4"):
        hours = draw(
            st.lists(st.integers(0, 24 * 50), min_size=1, max_size=60, unique=True)
            | st.integers(0, 700).map(lambda start: list(range(start, start + 80)))
        )
        seed = draw(st.integers(0, 10_000))
        quality = draw(st.sampled_from(["A", "E", "AAAE"]))
        found += [
            (meter, h, float((seed * (h + 1)) % 977) / 8, quality[h % len(quality)])
            for h in hours
        ]
    return found


def text_of(reads: Reads, per_gal: float = 1.0) -> str:
    """Lines of a file; local hours of January and February 2025, stamped at their end."""
    lines = []
    for meter, hour, gal, quality in reads:
        day, ends = divmod(hour, 24)
        month, day = (1, day + 1) if day < 31 else (2, day - 30)
        at = f"2025-{month:02d}-{day:02d} {ends + 1:02d}:00"
        lines.append(f"{meter},{at},{gal * per_gal!r},{quality}")
    return HEADER + "\n".join(lines) + "\n"


def figures(
    files: Files,
    *,
    unit: str = "gal",
    buckets: int = 2,
    again: bool = False,
) -> dict[str, Figures]:
    """Rows of every table of the profiles by their keys; no order, no file, no bucket."""
    folder = Path(tempfile.mkdtemp(prefix="laws-"))
    try:
        export = {"unit": unit, "quality_codes": {"A": "measured", "E": "estimated"}}
        utility = Utility(folder, export, timezone="UTC", more={"buckets": buckets})
        for name, reads in files.items():
            utility.write(name, text_of(reads, PER_GAL.get(unit, 1.0)))
        landed = utility.land()
        assert landed.rows_rejected == 0
        assert landed.rows_accepted == sum(len(reads) for reads in files.values())
        if again:
            assert utility.land().rows_landed == 0
        folders = profile(utility.workspace, timezone="UTC").folders
        found = {table: rows_of(folders, table) for table in BY_METER}
        found["balance"] = whole_balance(folders)
        return found
    finally:
        shutil.rmtree(folder)


def rows_of(folders: tuple[Path, ...], table: str) -> Figures:
    frame = pl.concat([pl.read_parquet(f / f"{table}.parquet") for f in folders])
    months = [m for f in folders for m in [f.parts[-3]] * height(f, table)]
    keys = [
        k for k in ("meter_id", "band", "day", "on_day", "slot", "hour") if k in frame.columns
    ]
    rest = sorted(set(frame.columns) - set(keys))
    return {
        (month, *(row[k] for k in keys)): tuple(row[name] for name in rest)
        for month, row in zip(months, frame.to_dicts(), strict=True)
    }


def height(folder: Path, table: str) -> int:
    return pl.scan_parquet(folder / f"{table}.parquet").select(pl.len()).collect().item()


def whole_balance(folders: tuple[Path, ...]) -> Figures:
    with duckdb.connect() as connection:
        row = connection.execute(
            "select sum(rows), sum(current_rows), sum(superseded_rows), sum(current_gal),"
            " sum(superseded_gal) from read_parquet(?)",
            [[str(f / "balance.parquet") for f in folders]],
        ).fetchone()
    assert row is not None
    return {(): row}


def assert_same(one: dict[str, Figures], other: dict[str, Figures], *, exact: bool) -> None:
    assert one.keys() == other.keys()
    for table in one:
        assert one[table].keys() == other[table].keys(), table
        for key, row in one[table].items():
            for a, b in zip(row, other[table][key], strict=True):
                assert alike(a, b, exact), (table, key, row, other[table][key])


def alike(a: Any, b: Any, exact: bool) -> bool:
    if exact or not isinstance(a, float) or not isinstance(b, float):
        return a == b or (a != a and b != b)
    return math.isclose(a, b, rel_tol=CLOSE, abs_tol=CLOSE)


def order_of_rows(reads: Reads, draw: Callable[..., Any]) -> None:
    shuffled = draw(st.permutations(reads))
    assert_same(figures({"r.csv": reads}), figures({"r.csv": shuffled}), exact=True)


def order_of_files(reads: Reads, draw: Callable[..., Any]) -> None:
    cut = draw(st.integers(1, len(reads) - 1))
    one, two = reads[:cut], reads[cut:]
    forth, back = {"a.csv": one, "b.csv": two}, {"a.csv": two, "b.csv": one}
    assert_same(figures(forth), figures(back), exact=True)


def splitting_and_merging(reads: Reads, draw: Callable[..., Any]) -> None:
    part_of = draw(st.lists(st.integers(0, 3), min_size=len(reads), max_size=len(reads)))
    parts: Files = {}
    for read, part in zip(reads, part_of, strict=True):
        parts.setdefault(f"{part}.csv", []).append(read)
    assert_same(figures({"r.csv": reads}), figures(parts), exact=True)


def units(reads: Reads, draw: Callable[..., Any]) -> None:
    unit = draw(st.sampled_from(sorted(PER_GAL)))
    assert_same(figures({"r.csv": reads}), figures({"r.csv": reads}, unit=unit), exact=False)


def buckets(reads: Reads, draw: Callable[..., Any]) -> None:
    count = draw(st.sampled_from([1, 3, 8, 64]))
    assert_same(figures({"r.csv": reads}), figures({"r.csv": reads}, buckets=count), exact=True)


def running_again(reads: Reads, draw: Callable[..., Any]) -> None:
    assert_same(figures({"r.csv": reads}), figures({"r.csv": reads}, again=True), exact=True)


def another_account(reads: Reads, draw: Callable[..., Any]) -> None:
    """Its reads stand in the same file, between the others; no other meter's figure moves."""
    hours = draw(st.lists(st.integers(0, 24 * 50), min_size=1, max_size=60, unique=True))
    more = draw(st.permutations([*reads, *(("M3", h, 7.25, "A") for h in hours)]))
    alone, beside = figures({"r.csv": reads}), figures({"r.csv": more})
    for table in BY_METER:
        others = {k: row for k, row in beside[table].items() if "M3" not in k}
        assert len(others) < len(beside[table]) or table != "month_stat"
        beside[table] = others
    alone.pop("balance")
    beside.pop("balance")
    assert_same(alone, beside, exact=True)


LAWS = [
    order_of_rows,
    order_of_files,
    splitting_and_merging,
    units,
    buckets,
    running_again,
    another_account,
]


def hold(law: Callable[..., None], examples: int) -> None:
    @settings(
        max_examples=examples,
        deadline=None,
        database=None,
        derandomize=examples < MANY,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(some_reads(), st.data())
    def holds(reads: Reads, data: st.DataObject) -> None:
        law(reads, data.draw)

    holds()


@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
def test_law(law: Callable[..., None]) -> None:
    hold(law, 2)


@pytest.mark.heavy
@pytest.mark.parametrize("law", LAWS, ids=lambda law: law.__name__)
def test_law_at_length(law: Callable[..., None]) -> None:
    hold(law, MANY)


def test_a_changed_read_moves_a_figure() -> None:
    """Otherwise no law could fail."""
    reads: Reads = [("M1", h, 8.0, "A") for h in range(48)]
    changed: Reads = [*reads[:-1], ("M1", 47, 8.125, "A")]
    with pytest.raises(AssertionError):
        assert_same(figures({"r.csv": reads}), figures({"r.csv": changed}), exact=False)
