"""Nothing is lost or doubled between the files and the published tables."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from rightsize.units import L_PER_GAL
from tests.acceptance.demo_run import Swept

LITRE_GAL = 1 / L_PER_GAL  # volumes must agree to the litre, whatever the fleet's size


def test_every_row_of_every_file_is_accounted_for(swept: Swept):
    files = pl.read_csv(swept.folder / "truth/files.csv")
    rows = swept.rows("select path, rows_landed, rows_rejected from landed_file")
    landed = {str(Path(path).relative_to(swept.folder)): counts for path, *counts in rows}
    written = {
        f: [n, bad] for f, n, bad in files.select("file", "rows", "unreadable_rows").rows()
    }
    assert landed == written


def test_rows_balance_over_the_sweep(swept: Swept):
    files = pl.read_csv(swept.folder / "truth/files.csv")
    meters = pl.read_csv(swept.folder / "truth/meters.csv")
    rows, bad, current = (
        files["rows"].sum(),
        files["unreadable_rows"].sum(),
        meters["current_rows"].sum(),
    )
    published = swept.rows(
        "select rows_landed, rows_accepted, rows_rejected, rows_superseded from sweep"
    )
    assert published == [(rows, current, bad, rows - bad - current)]
    assert rows - bad - current > 0  # repeats and corrections were planted


def test_volume_agrees_to_the_litre_from_file_to_table(swept: Swept):
    meters = pl.read_csv(swept.folder / "truth/meters.csv")
    [(accepted_gal,)] = swept.rows("select accepted_gal from sweep")
    assert accepted_gal == pytest.approx(meters["current_gal"].sum(), abs=LITRE_GAL)


def test_every_unreadable_row_is_listed_with_file_line_and_rule(swept: Swept):
    rows = swept.rows("select source_file, source_line, rule, value from rejected_read")
    files = pl.read_csv(swept.folder / "truth/files.csv")
    assert len(rows) == files["unreadable_rows"].sum() > 0
    for source_file, line, rule, value in rows:
        text = Path(source_file).read_text().splitlines()[line - 1]
        assert rule
        assert value is None or value.removesuffix(".0") in text
