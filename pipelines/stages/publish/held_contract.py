"""What contract, units and format the tables of a publication were written by."""

from __future__ import annotations

from typing import Final, cast

import duckdb

from pipelines.stages.publish.contract_sql import SQL_TYPE, in_units
from rightsize.contracts.results import RESULT_TABLES
from rightsize.contracts.table import Table
from rightsize.units import UnitSystem

# BI drivers lag behind: every DuckDB since 1.0 reads this format
STORAGE_VERSION: Final = "v1.0.0"
_TYPE_NAMES: Final = {"timestamptz": "TIMESTAMP WITH TIME ZONE"}


def has_contract(connection: duckdb.DuckDBPyConnection, units: UnitSystem) -> bool:
    """Whether every table has the columns, types and units of the current contract."""
    for us_table in RESULT_TABLES:
        table = in_units(us_table, units)
        promised = [
            (
                c.name,
                _TYPE_NAMES.get(SQL_TYPE[c.type], SQL_TYPE[c.type].upper()),
                c.null != "never",
            )
            for c in table.columns
        ]
        if columns_of(connection, "results", table) != promised:
            return False
    return units_of(connection, "results") == units


def has_storage_version(connection: duckdb.DuckDBPyConnection) -> bool:
    """Whether the file was written in the format that BI drivers read."""
    row = connection.execute(
        "select tags['storage_version'] from duckdb_databases() where database_name = 'results'"
    ).fetchone()
    return row is not None and str(row[0]).startswith(STORAGE_VERSION)


def units_of(connection: duckdb.DuckDBPyConnection, database: str) -> UnitSystem:
    """Units of the newest sweep of a database; US units if it holds none."""
    row = connection.execute(
        f"select units from {database}.sweep order by sweep_id desc limit 1"
    ).fetchone()
    return cast(UnitSystem, row[0]) if row else "us"


def columns_of(
    connection: duckdb.DuckDBPyConnection, database: str, table: Table
) -> list[tuple[str, str, bool]]:
    """Name, type and nullability of each column of a table in a database."""
    return connection.execute(
        "select column_name, data_type, is_nullable from duckdb_columns()"
        " where database_name = ? and table_name = ? order by column_index",
        [database, table.name],
    ).fetchall()
