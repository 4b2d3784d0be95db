"""What a sweep tells of files that it could not read to their end."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import polars as pl
import pytest
from rich.console import Console

from pipelines.configuration.load_settings import load
from pipelines.sweep.sweep import run_sweep, show_outcome
from rightsize.errors import ConfigError
from tests.pipelines.small_utility import quick_utility


def test_a_file_that_breaks_off_is_told_and_makes_the_sweep_partial(tmp_path: Path):
    """However many refused rows are tolerated: what is lost was never a row."""
    config = quick_utility(tmp_path / "utility")
    export = config.parent / "exports" / "reads_2025-01.csv.gz"
    whole = export.read_bytes()
    export.write_bytes(whole[: len(whole) * 2 // 3])
    outcome = run_sweep(load(config), workers=2)
    said = StringIO()
    show_outcome(outcome, Console(file=said, width=200))
    assert outcome.is_partial
    assert "partly loaded: " in said.getvalue()
    assert (
        "reads_2025-01.csv.gz: compressed file is truncated or damaged after line"
        in said.getvalue()
    )
    export.write_bytes(whole)
    mended = run_sweep(load(config), workers=2)
    assert not mended.is_partial
    assert mended.landed.unread == ()


def test_a_fleet_of_removed_meters_is_refused(tmp_path: Path):
    config = quick_utility(tmp_path / "utility")
    meters = config.parent / "meters.csv"
    listed = pl.read_csv(meters, infer_schema=False)
    listed.with_columns(
        removed_on=pl.lit("2024-05-01"), installed_on=pl.lit("2001-01-01")
    ).write_csv(meters)
    with pytest.raises(ConfigError, match="no meter in service"):
        run_sweep(load(config), workers=2)
