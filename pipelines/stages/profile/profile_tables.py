"""The tables of a profile as Arrow, in order, and as files.

Matrices give their rows in order already; where other rows stand beside them, the database
sorts both. Files are written from Arrow: half the time of the database's `copy`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.store.checksum import PROMISE, seal

TABLES: Final = {
    "month_stat": "meter_id, interval_min",
    "month_band": "meter_id, kind, interval_min, band",
    "day_flow": "meter_id, day_on",
    "balance": "kind, file_hash",
    "stuck_register": "meter_id, from_at",
    "replaced_read": "meter_id",
}
"""The tables of a profile, and the order of their rows."""
_GROUP_ROWS: Final = 122_880


def ordered_table(connection: duckdb.DuckDBPyConnection, name: str) -> pa.Table:
    """A table that statements made, in its order; sums of counts as floating-point numbers."""
    made = connection.sql(f"from {name} order by {TABLES[name]}").to_arrow_table()
    return made.cast(pa.schema([_plain(field) for field in made.schema]))


def joined_tables(
    connection: duckdb.DuckDBPyConnection, name: str, made: pa.Table, added: list[pa.Table]
) -> pa.Table:
    """Rows that statements made and rows of matrices, in the table's order."""
    if not added:
        return made
    if len(added) == 1 and not len(made):
        return _as(added[0], made.schema)
    connection.register("made_rows", made)
    connection.register("added_rows", pa.concat_tables(added))
    try:
        both = connection.sql(
            f"from (from made_rows union all by name from added_rows) order by {TABLES[name]}"
        ).to_arrow_table()
    finally:
        connection.unregister("made_rows")
        connection.unregister("added_rows")
    return both.cast(made.schema)


def write_table(table: pa.Table, path: Path) -> None:
    """Write a table with its checksum."""
    schema = table.schema.with_metadata({**PROMISE})
    numbers = [f.name for f in schema if pa.types.is_floating(f.type)]
    pq.write_table(
        table.cast(schema),
        path,
        row_group_size=_GROUP_ROWS,
        compression="zstd",
        use_dictionary=[name for name in schema.names if name not in numbers],
        store_schema=False,
    )
    seal(path)


def _plain(field: pa.Field) -> pa.Field:
    return field.with_type(pa.float64()) if pa.types.is_decimal(field.type) else field


def _as(table: pa.Table, schema: pa.Schema) -> pa.Table:
    """Columns in the order and of the types of a schema; dictionaries stay."""
    columns = [
        column if pa.types.is_dictionary(column.type) else column.cast(field.type)
        for field, column in ((field, table[field.name]) for field in schema)
    ]
    return pa.table(columns, names=schema.names)
