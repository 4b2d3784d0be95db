"""A made-up utility of any size on disk, for measurements.

`python -m tests.benchmarks.utility FOLDER --accounts 4000 --months 12` writes one. Reads are
bursty: uses come by the hour of the week, each draws a log-normal volume, irrigation only in
summer, some sites leak; registers count in steps of their own. Some meters miss hours and
report an estimate afterwards, some reads are sent again with a correction, and times are the
wall clock's, with its doubled and its skipped hour. A block of meters is made at a time, so
memory does not grow with the size. The demo utility is slower to make and has a known truth;
this one has none and is for speed alone.
"""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

ZONE: Final = "America/Denver"
FIRST_MONTH: Final = dt.date(2024, 1, 1)
BLOCK_METERS: Final = 500
GAP_SHARE: Final = 0.01
"""Meters a month that miss some hours."""

CORRECTED_SHARE: Final = 0.002
"""Meters a file of which a day is sent again."""

CLASSES: Final = (
    # class, share of meters, uses an hour at the busiest, gal a use, hours of the day, service
    ("dwelling", 0.62, 1.2, 14.0, (6, 22), "domestic"),
    ("apartments", 0.12, 30.0, 14.0, (5, 23), "domestic"),
    ("office", 0.07, 12.0, 9.0, (8, 18), "domestic"),
    ("restaurant", 0.05, 25.0, 18.0, (10, 23), "domestic"),
    ("retail", 0.05, 4.0, 8.0, (9, 21), "domestic"),
    ("irrigation", 0.05, 0.5, 900.0, (2, 6), "irrigation"),
    ("hotel", 0.02, 60.0, 16.0, (5, 24), "domestic"),
    ("process", 0.02, 6.0, 700.0, (0, 24), "domestic"),
)
METERS: Final = (
    # type, size [in], share, register step [gal]
    ("displacement", 0.625, 0.45, 1.0),
    ("displacement", 0.75, 0.20, 1.0),
    ("displacement", 1.0, 0.13, 1.0),
    ("displacement", 1.5, 0.06, 10.0),
    ("turbine", 1.5, 0.03, 10.0),
    ("displacement", 2.0, 0.06, 10.0),
    ("turbine", 2.0, 0.04, 10.0),
    ("turbine", 3.0, 0.02, 10.0),
    ("compound", 3.0, 0.01, 10.0),
)
CLASS_CODES: Final = {"dwelling": "unknown"}
_SWEEP: Final = """\
utility: Made-up Water
workspace: ./workspace
units: us
timezone: America/Denver
site_pages: {site_pages}
buckets: {buckets}
{more}
exports:
  - name: network
    path: exports/*
    layout: interval
    unit: gal
    interval_min: {minutes}
    columns: {{meter_id: meter, at: interval_end, volume: gallons, quality: flag}}
    quality_codes: {{A: measured, E: estimated, C: edited}}
meters: meters.csv
tariff: tariff.yaml
"""
_TARIFF: Final = """\
discount_rate_pct: 4
avoided_water_usd_per_kgal: 1.10
classes:
  default:
    tiers: [{usd_per_kgal: 5.40}]
    sewer_usd_per_kgal: 4.20
    sewer_return_share: 0.9
"""
Float = NDArray[np.float64]


@dataclass(frozen=True)
class Size:
    """How large a utility is, and how its exports are written."""

    accounts: int
    months: int
    minutes: int = 60
    form: Literal["parquet", "csv"] = "parquet"
    seed: int = 1


def write_utility(
    folder: Path, size: Size, *, buckets: int = 16, site_pages: int = 10, more: str = ""
) -> Path:
    """Write configuration, meter list and an export a month; returns the configuration."""
    (folder / "exports").mkdir(parents=True)
    config = folder / "sweep.yaml"
    text = _SWEEP.format(
        minutes=size.minutes, site_pages=site_pages, buckets=buckets, more=more
    )
    config.write_text(text, encoding="utf-8")
    (folder / "tariff.yaml").write_text(_TARIFF, encoding="utf-8")
    meter_list(size).write_csv(folder / "meters.csv")
    for month in range(size.months):
        write_days(folder, size, first_of(month), first_of(month + 1))
    return config


def first_of(month: int) -> dt.date:
    """The first day of a month, counted from the first one."""
    return dt.date(FIRST_MONTH.year + month // 12, 1 + month % 12, 1)


def meter_list(size: Size) -> pl.DataFrame:
    """meters.csv: one meter an account, by the shares of classes and meters."""
    rng = np.random.default_rng([size.seed, 0])
    kind, meter = _kinds(size, rng)
    age = rng.integers(0, 22, size.accounts)
    return pl.DataFrame(
        {
            "account_id": [f"A{n:07d}" for n in range(size.accounts)],
            "meter_id": [f"M{n:07d}" for n in range(size.accounts)],
            "meter_type": [METERS[m][0] for m in meter],
            "size_in": [METERS[m][1] for m in meter],
            "installed_on": [f"{2023 - a}-06-01" for a in age],
            "removed_on": [""] * size.accounts,
            "customer_class": ["" if k == 0 else CLASSES[k][0] for k in kind],
            "service_kind": [CLASSES[k][5] for k in kind],
            "fire_arrangement": ["separate"] * size.accounts,
            "area": [f"Area {n % 12}" for n in range(size.accounts)],
        }
    )


def write_days(folder: Path, size: Size, begin: dt.date, end: dt.date) -> Path:
    """One export of the reads of all meters from a day to before another."""
    path = folder / "exports" / f"reads_{begin}_{end}.{size.form}"
    with _writer(path, size.form) as writer:
        for table in read_blocks(size, begin, end):
            writer.write_table(table)
    return path


def read_blocks(size: Size, begin: dt.date, end: dt.date) -> Iterator[pa.Table]:
    """The reads of some days, a block of meters at a time."""
    kind, meter = _kinds(size, np.random.default_rng([size.seed, 0]))
    ends = _wall_clock(begin, end, size.minutes)
    for first in range(0, size.accounts, BLOCK_METERS):
        some = slice(first, min(first + BLOCK_METERS, size.accounts))
        rng = np.random.default_rng([size.seed, 1 + begin.toordinal(), first])
        gallons = _volumes(ends, size.minutes, kind[some], meter[some], rng)
        yield _table(first, ends, gallons, size, rng)


def _kinds(size: Size, rng: np.random.Generator) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The class and the meter of each account: large classes have the large meters."""
    kind = rng.choice(len(CLASSES), size.accounts, p=[c[1] for c in CLASSES])
    share = np.array([m[2] for m in METERS])
    small = rng.choice(len(METERS), size.accounts, p=share / share.sum())
    large = rng.integers(3, len(METERS), size.accounts)
    return kind, np.where(np.isin(kind, (1, 6, 7)), large, small)


def _wall_clock(begin: dt.date, end: dt.date, minutes: int) -> pl.Series:
    """Ends of the intervals as the wall clock shows them."""
    first, last = (
        pl.select(pl.datetime(d.year, d.month, d.day, time_zone=ZONE)).item()
        for d in (begin, end)
    )
    times = pl.datetime_range(
        first, last, f"{minutes}m", closed="right", time_zone=ZONE, eager=True
    )
    return times.dt.replace_time_zone(None)


def _volumes(
    ends: pl.Series,
    minutes: int,
    kind: NDArray[np.int64],
    meter: NDArray[np.int64],
    rng: np.random.Generator,
) -> Float:
    """Registered volumes [meter, interval], gal."""
    shape = (len(kind), len(ends))
    busy = rng.lognormal(0, 0.5, len(kind))
    uses = np.empty(shape, dtype=np.float32)
    hour, weekday = ends.dt.hour().to_numpy(), ends.dt.weekday().to_numpy()
    is_summer = np.isin(ends.dt.month().to_numpy(), (5, 6, 7, 8, 9))
    for n, (name, _, rate, _, (opens, closes), _) in enumerate(CLASSES):
        at_work = np.where((hour >= opens) & (hour < closes), 1.0, 0.04)
        at_work = at_work * (0.7 + 0.3 * np.sin(hour * 0.9 + n)) * np.where(weekday > 5, 0.8, 1)
        if name == "irrigation":
            at_work = at_work * is_summer
        uses[kind == n] = rate * minutes / 60 * at_work
    count = rng.poisson(uses * busy[:, None])
    gal_a_use = np.array([c[3] for c in CLASSES])[kind][:, None]
    spread = np.exp(0.6 * rng.standard_normal(shape, dtype=np.float32) - 0.18)
    leak = np.where(rng.random(len(kind)) < 0.02, rng.lognormal(-1, 1, len(kind)), 0)
    actual_gal = count * gal_a_use * spread + (leak * minutes)[:, None]
    step = np.array([m[3] for m in METERS])[meter][:, None]
    begun = rng.random((len(kind), 1)) * step
    counted = np.floor((begun + np.cumsum(actual_gal, axis=1)) / step)
    return np.diff(counted, axis=1, prepend=0.0) * step


def _table(
    first: int, ends: pl.Series, gallons: Float, size: Size, rng: np.random.Generator
) -> pa.Table:
    """Rows of a block: without the hours that were missed, and some sent again."""
    meters, steps = gallons.shape
    flag = np.where(rng.random(gallons.shape, dtype=np.float32) < 0.003, 1, 0)
    is_there = np.ones(gallons.shape, dtype=bool)
    for row in np.flatnonzero(rng.random(meters) < GAP_SHARE):
        begins = int(rng.integers(0, steps))
        until = min(begins + int(rng.integers(1, 4 * 1440 // size.minutes)), steps)
        is_there[row, begins:until] = False
        if until < steps:  # the next read holds what passed meanwhile
            gallons[row, until] += gallons[row, begins:until].sum()
            flag[row, until] = 1
    row, step = np.nonzero(is_there)
    again = rng.random(meters) < CORRECTED_SHARE
    fixed = np.flatnonzero(again[row] & (step < 1440 // size.minutes))
    row, step = np.append(row, row[fixed]), np.append(step, step[fixed])
    volume, flags = gallons[row, step], flag[row, step]
    if len(fixed):
        volume[-len(fixed) :] *= 1.02
        flags[-len(fixed) :] = 2
    names = pa.array([f"M{first + n:07d}" for n in range(meters)])
    marks = pa.array(["A", "E", "C"])
    at = ends.dt.cast_time_unit("ms").to_arrow().cast(pa.timestamp("s"))
    columns = {
        "meter": pa.DictionaryArray.from_arrays(pa.array(row.astype(np.int32)), names),
        "interval_end": at.take(pa.array(step.astype(np.int32))),
        "gallons": pa.array(np.round(volume, 1)),
        "flag": pa.DictionaryArray.from_arrays(pa.array(flags.astype(np.int32)), marks),
    }
    if size.form == "csv":
        columns["meter"] = columns["meter"].cast(pa.string())
        columns["flag"] = columns["flag"].cast(pa.string())
    return pa.table(columns)


def _writer(path: Path, form: str) -> pq.ParquetWriter | pa_csv.CSVWriter:
    text = pa.string() if form == "csv" else pa.dictionary(pa.int32(), pa.string())
    schema = pa.schema(
        [
            ("meter", text),
            ("interval_end", pa.timestamp("s")),
            ("gallons", pa.float64()),
            ("flag", text),
        ]
    )
    if form == "csv":
        return pa_csv.CSVWriter(path, schema)
    return pq.ParquetWriter(path, schema, compression="zstd")


def main() -> None:
    """Write a utility to a folder."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--accounts", type=int, default=4000)
    parser.add_argument("--months", type=int, default=12)
    parser.add_argument("--minutes", type=int, default=60, choices=(5, 15, 30, 60))
    parser.add_argument("--format", choices=("parquet", "csv"), default="parquet")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    size = Size(asked.accounts, asked.months, asked.minutes, asked.format, asked.seed)
    print(f"next: rightsize sweep {write_utility(asked.folder, size)}")


if __name__ == "__main__":
    main()
