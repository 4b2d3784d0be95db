"""Volumes of a sweep: added in one order, whatever order and threads they come in."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
import pytest

from pipelines.store.resources import sql_text

FILES, MONTHS, BUCKETS = 40, 13, 64


def partition_files() -> pl.DataFrame:
    rng = np.random.default_rng(6)
    keys = pl.DataFrame(
        {
            "file_hash": [f"file{k}" for k in range(FILES)],
            "kind": ["interval"] * FILES,
        }
    )
    return (
        keys.join(pl.DataFrame({"month": [f"2025-{m:02}" for m in range(MONTHS)]}), how="cross")
        .join(pl.DataFrame({"bucket": list(range(BUCKETS))}), how="cross")
        .with_columns(
            pl.lit(100).alias(name) for name in ("rows", "current_rows", "superseded_rows")
        )
        .with_columns(
            pl.Series(name, rng.gamma(0.5, 997.0, FILES * MONTHS * BUCKETS))
            for name in ("current_gal", "superseded_gal")
        )
    )


def volumes(rows: pl.DataFrame, threads: int) -> tuple[float, float]:
    """What the sweep's row says of these parts of files."""
    counts = ("rows_landed", "rows_accepted", "rows_rejected")
    ledger = rows.select("file_hash", path="file_hash").unique()
    ledger = ledger.with_columns(
        *(pl.lit(0).alias(c) for c in counts), accepted_gal=pl.lit(0.0)
    )
    with duckdb.connect(config={"threads": threads}) as connection:
        connection.register("partition_file", rows.to_arrow())
        connection.register("ledger_frame", ledger.to_arrow())
        connection.execute(
            "create table rejected_frame (file_hash varchar, rejected_rows bigint);"
            "create table meter_balance (account_id varchar, recommended_rows bigint)"
        )
        for relation in ("file_balance", "sweep_count"):
            connection.execute(sql_text(f"60_reconcile/{relation}"))
        (found,) = connection.sql(
            "select accepted_gal, superseded_gal from sweep_count"
        ).fetchall()
    return found


def test_volumes_are_the_same_to_the_bit_for_any_order_and_threads() -> None:
    rows = partition_files()
    straight = volumes(rows, 1)
    mixed = [volumes(rows.sample(fraction=1, shuffle=True, seed=k), k) for k in (1, 2, 4)]
    assert mixed == [straight] * 3
    assert straight == pytest.approx(
        (rows["current_gal"].sum(), rows["superseded_gal"].sum()), rel=1e-9
    )
