"""What came of change-outs, from the published results, for pages."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Any

import duckdb
import polars as pl

from pipelines.stages.verify import view_in_us_units
from pipelines.store.resources import sql_text
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.evidence.outcomes.fleet_outcomes import ChangeOuts
from rightsize.verify.calibration import calibration
from rightsize.verify.rows import promises_of

Rows = tuple[dict[str, Any], ...]


def change_outs_of(
    connection: duckdb.DuckDBPyConnection, rows: Callable[[str], Rows]
) -> ChangeOuts:
    """Every change-out, totals, and how promises held; `rows` runs a statement."""
    view_in_us_units(connection, REALISED_GAIN, "gain_in_us_units")
    gains: pl.DataFrame = connection.sql("from gain_in_us_units").pl()
    return ChangeOuts(
        results=rows("85_evidence/change_out_line"),
        totals=rows("85_evidence/change_out_total_line"),
        calibration=calibration(promises_of(gains)),
        persistence=rows("85_evidence/leak_persistence_line"),
    )


def account_change_outs(
    connection: duckdb.DuckDBPyConnection, accounts: Sequence[str]
) -> dict[str, Rows]:
    """Change-outs of these accounts, in the published units."""
    found: defaultdict[str, list[dict[str, Any]]] = defaultdict(list)
    try:
        frame = connection.sql(
            sql_text("85_evidence/account_change_out"), params={"accounts": list(accounts)}
        ).pl()
    except duckdb.CatalogException:  # published by an earlier version
        return {}
    for row in frame.iter_rows(named=True):
        found[row["account_id"]].append(row)
    return {account: tuple(rows) for account, rows in found.items()}
