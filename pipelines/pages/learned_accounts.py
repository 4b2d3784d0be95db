"""What logs have shown so far, from published results."""

from __future__ import annotations

import duckdb
import polars as pl

from pipelines.store.resources import sql_text
from rightsize.evidence.field.learned import Learned, learned_of


def learned_so_far(
    connection: duckdb.DuckDBPyConnection, *, log_cost_usd: float
) -> Learned | None:
    """Logged accounts with their ranges before and now; None where no log is used yet.

    Parameters
    ----------
    log_cost_usd
        Cost of one log, as in the thresholds.
    """
    try:
        rows: pl.DataFrame = connection.sql(
            sql_text("85_evidence/learned_account"), params={"log_cost_usd": log_cost_usd}
        ).pl()
    except duckdb.CatalogException:  # published before logs could come back
        return None
    return learned_of(rows) if rows.height else None
