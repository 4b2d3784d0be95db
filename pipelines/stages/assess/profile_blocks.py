"""Turns a bucket's months into one block of sufficient statistics, then joint samples."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import polars.selectors as cs
from numpy.typing import NDArray

from pipelines.stages.assess.day_flows import NO_DAYS, all_days
from pipelines.store.storage import local_paths
from pipelines.store.warehouse import literals, run_sql
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection
from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_COUNT
from rightsize.demand.continuous_flow import FLOWS
from rightsize.demand.register_step import common_step

Array = NDArray[np.float64]
STAT, BAND, DAY = "month_stat.parquet", "month_band.parquet", "day_flow.parquet"
_STAT_COLUMNS = (
    "days_covered", "reads_used", "registered_gal", "zero_count", "within_ss", "within_dof",
    "slot_ss", "slot_step_ss", "day_ss", "day_dof", "max_interval_gpm", "max_hour_gpm",
    "max_day_gpm", "night_zero_count",
    "interval_min",
)  # fmt: skip
_LAGS, _PEAK = (1, 2, 3), "peak_register_gpm"

NO_BANDS = pl.DataFrame(
    schema={
        "meter_id": pl.String,
        "kind": pl.String,
        "band": pl.Int16,
        "window_count": pl.Float64,
        "volume_gal": pl.Float64,
    }
)
NO_NIGHTS = pl.DataFrame(
    schema={name: NO_BANDS.schema[name] for name in ("meter_id", "band", "window_count")}
)

USUAL_RESOLUTION_GAL = 1.0
"""Register resolution where neither meters.csv nor the reads give one: our convention."""


@dataclass(frozen=True)
class BucketProfile:
    """The trailing year of the meters in service of one bucket.

    `stat` has one row per meter in service (statistics null where it has no reads); `bands` one
    row a meter, kind of window and band; `nights` one row a meter and band of a night's least
    hour; `days` one row a meter and local day in the lake;
    `leaks` one row a meter with a flow that began and does not stop; of those to leave out,
    `leak_months` and `leak_bands` hold the months apart.
    """

    stat: pl.DataFrame
    bands: pl.DataFrame = field(default_factory=lambda: NO_BANDS)
    days: pl.DataFrame = field(default_factory=lambda: NO_DAYS)
    nights: pl.DataFrame = field(default_factory=lambda: NO_NIGHTS)
    leaks: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FLOWS))
    leak_months: pl.DataFrame = field(default_factory=pl.DataFrame)
    leak_bands: pl.DataFrame = field(default_factory=pl.DataFrame)


def load_bucket(
    workspace: Workspace,
    folders: Sequence[Path],
    service: pl.DataFrame,
    *,
    window_months: int,
    stopped_after_days: int,
    leaks_of: Callable[[pl.DataFrame, pl.DataFrame], tuple[pl.DataFrame, pl.DataFrame]]
    | None = None,
    with_days: bool = True,
) -> BucketProfile:
    """Merge the months of one bucket for its meters in service.

    Parameters
    ----------
    folders : paths
        The current profile folders of the bucket, one a month.
    service : frame
        One row a meter in service of this bucket: meter_id and what meters.csv says of it.
    leaks_of : function, optional
        Of `days` and `service` makes the leaks found, and those to leave out.
    with_days
        If not, `days` is left empty: it is the part that grows with every day of the lake.
    """
    if not folders:
        return BucketProfile(stat=without_reads(service))
    names = (STAT, BAND, DAY) if with_days else (STAT, BAND)
    with (
        workspace.storage.at_hand(f / name for f in folders for name in names) as here,
        bucket_connection(workspace.scratch) as connection,
    ):
        make_year(
            connection,
            local_paths(here, [f / STAT for f in folders]),
            service,
            window_months=window_months,
            stopped_after_days=stopped_after_days,
        )
        bands = literals(local_paths(here, [f / BAND for f in folders]))
        run_sql(connection, "40_assess/meter_band", {"band_files": bands})
        day = NO_DAYS
        if with_days:
            day = all_days(local_paths(here, [f / DAY for f in folders]), service)
        stat = connection.sql("from meter_stat").pl()
        band = connection.sql("from meter_band").pl()
        night = NO_NIGHTS
        found, months, month_bands = pl.DataFrame(), pl.DataFrame(), pl.DataFrame()
        if leaks_of is not None:
            night = nights_in(connection, bands)
            found, cut = leaks_of(day, service)
            if not cut.is_empty():
                connection.register("leak_frame", cut.to_arrow())
                run_sql(connection, "40_assess/leak_month")
                run_sql(connection, "40_assess/leak_band", {"band_files": bands})
                months = connection.sql("from leak_month").pl()
                month_bands = connection.sql("from leak_band").pl()
    return BucketProfile(
        stat=joined_stat(service, stat),
        bands=band,
        days=day,
        nights=night,
        leaks=found,
        leak_months=months.with_columns(cs.decimal().cast(pl.Float64)),
        leak_bands=month_bands.with_columns(cs.decimal().cast(pl.Float64)),
    )


def make_year(
    connection: duckdb.DuckDBPyConnection,
    stat_files: Sequence[str],
    service: pl.DataFrame,
    *,
    window_months: int,
    stopped_after_days: int,
) -> None:
    """Make the relations meter_month and meter_stat of the trailing year."""
    seasonal = (pl.col("service_kind") == "irrigation") | (
        pl.col("customer_class") == "irrigation"
    )
    known = service.select("meter_id", is_seasonal=seasonal.fill_null(False))
    connection.register("service_frame", known.to_arrow())
    run_sql(connection, "40_assess/meter_in_service")
    run_sql(connection, "40_assess/bucket_month", {"stat_files": literals(stat_files)})
    run_sql(
        connection,
        "40_assess/meter_month",
        {"window_months": window_months, "stopped_after_days": stopped_after_days},
    )
    run_sql(connection, "40_assess/meter_stat")


def nights_in(connection: duckdb.DuckDBPyConnection, band_files: Sequence[str]) -> pl.DataFrame:
    """Nights of the trailing year by meter and band of their least hour."""
    run_sql(connection, "40_assess/night_band", {"band_files": list(band_files)})
    nights: pl.DataFrame = connection.sql("from night_band").pl()
    return nights


def joined_stat(service: pl.DataFrame, stat: pl.DataFrame) -> pl.DataFrame:
    """One row a meter in service, with its year where it has reads."""
    numbers = stat.with_columns(cs.decimal().cast(pl.Float64))
    return _with_step(service.join(numbers, on="meter_id", how="left"))


def block_of(profile: BucketProfile, rows: pl.DataFrame) -> ProfileBlock:
    """The sufficient statistics of `rows` (assessable rows of `profile.stat`), as arrays."""
    index = rows.select("meter_id").with_row_index("row")
    bands = profile.bands.join(index, on="meter_id")
    interval_count, interval_gal = _dense(bands, "interval", rows.height)
    hour_count, _ = _dense(bands, "hour", rows.height)
    night_count, _ = _dense(bands, "night", rows.height)
    number = _numbers(rows)
    return ProfileBlock(
        account_id=tuple(rows["account_id"]),
        meter_id=tuple(rows["meter_id"]),
        customer_class=tuple(rows["customer_class"]),
        meter_index=rows["meter_index"].to_numpy().astype(np.int64),
        resolution_gal=number["resolution_gal"],
        band_count=interval_count,
        band_gal=interval_gal,
        hour_count=hour_count,
        night_count=night_count,
        lag_ss=np.stack([number[f"lag{k}_ss"] for k in _LAGS], axis=1),
        lag_count=np.stack([number[f"lag{k}_count"] for k in _LAGS], axis=1),
        peak_register_gpm=number[_PEAK],
        **{name: number[name] for name in _STAT_COLUMNS},
    )


def nights_of(profile: BucketProfile, rows: pl.DataFrame) -> tuple[Array, Array]:
    """Nights of the meters in `rows` by band of their least hour [A, B], and without flow."""
    index = rows.select("meter_id").with_row_index("row")
    nights = profile.nights.join(index, on="meter_id").filter(pl.col("band") >= 0)
    count = np.zeros((rows.height, BAND_COUNT))
    count[nights["row"].to_numpy(), nights["band"].to_numpy()] = nights[
        "window_count"
    ].to_numpy()
    return count, rows["night_zero_count"].cast(pl.Float64).fill_null(0.0).to_numpy()


def _with_step(stat: pl.DataFrame) -> pl.DataFrame:
    """Register resolution: as listed, else as learned from reads, else the default."""
    shown = [
        None if s is None else _step_of(tuple(s)) for s in stat["month_step_gal"].to_list()
    ]
    return stat.with_columns(
        resolution_gal=pl.coalesce(
            "resolution_gal", pl.Series(shown, dtype=pl.Float64)
        ).fill_null(USUAL_RESOLUTION_GAL)
    ).drop("month_step_gal")


@lru_cache(maxsize=4096)
def _step_of(month_steps: tuple[float, ...]) -> float | None:
    """`common_step`: most meters of a fleet show one of few lists of steps."""
    return common_step(month_steps)


def without_reads(service: pl.DataFrame) -> pl.DataFrame:
    """One row a meter in service, where none has reads."""
    names = (
        *_STAT_COLUMNS,
        "read_count",
        "estimated_count",
        "peak_register_gpm",
        "span_days",
        "gap_gal",
        "backward_gal",
        "day_count",
    )
    return _with_step(
        service.with_columns(month_step_gal=pl.lit(None, dtype=pl.List(pl.Float64)))
    ).with_columns(
        *(pl.lit(None, dtype=pl.Float64).alias(name) for name in names),
        is_stopped=pl.lit(None, dtype=pl.Boolean),
        last_use_at=pl.lit(None, dtype=pl.Datetime("us", "UTC")),
    )


def _dense(bands: pl.DataFrame, kind: str, rows: int) -> tuple[Array, Array]:
    """Counts and volumes [row, band] of one kind of window."""
    part = bands.filter((pl.col("kind") == kind) & (pl.col("band") >= 0))
    row, band = part["row"].to_numpy(), part["band"].to_numpy()
    count = np.zeros((rows, BAND_COUNT))
    gal = np.zeros((rows, BAND_COUNT))
    count[row, band] = part["window_count"].to_numpy()
    gal[row, band] = part["volume_gal"].to_numpy()
    return count, gal


def _numbers(rows: pl.DataFrame) -> dict[str, Array]:
    """Statistics by name, 0 where there is none, and a peak register's peak, NaN there."""
    lags = [f"lag{k}_{what}" for k in _LAGS for what in ("ss", "count")]
    held = rows.select(
        pl.col("resolution_gal", *lags, *_STAT_COLUMNS).cast(pl.Float64).fill_null(0.0),
        pl.col(_PEAK).cast(pl.Float64).fill_null(np.nan),
    )
    return {column.name: column.to_numpy() for column in held}
