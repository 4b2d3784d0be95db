"""Result rows of a bucket as Parquet files below the folder of a sweep."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.store.checksum import PROMISE, seal
from pipelines.store.leftovers import own_name
from rightsize.contracts.frames import as_block
from rightsize.contracts.results import BLOCK_TABLES

CONTRACTS: Final = {table.name: table for table in BLOCK_TABLES}


def write_rows(rows: pl.DataFrame, folder: Path, table: str, name: str) -> None:
    """Rows of a published table as its contract wants them, in one file."""
    write_block(as_block(rows, CONTRACTS[table]), folder / table, name)


def write_block(frame: pl.DataFrame, folder: Path, name: str) -> None:
    """One Parquet file, complete or absent."""
    folder.mkdir(parents=True, exist_ok=True)
    aside = folder / own_name(f".{name}")
    frame.write_parquet(aside, compression="zstd", metadata=PROMISE)
    seal(aside)
    os.replace(aside, folder / f"{name}.parquet")
