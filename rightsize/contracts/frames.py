"""Check a data frame against a contract: shape it, or report which rows violate which rule."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.contracts.table import Column, ColumnType, Table
from rightsize.errors import ContractError

POLARS_TYPE: Final[dict[ColumnType, pl.DataType]] = {
    "text": pl.String(),
    "json": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "boolean": pl.Boolean(),
    "date": pl.Date(),
    "timestamp": pl.Datetime("us", "UTC"),
}


@dataclass(frozen=True)
class Violation:
    """A contract rule that some rows violate."""

    table: str
    promise: str
    row_count: int
    example: str = ""

    def __str__(self) -> str:
        rows = "1 row" if self.row_count == 1 else f"{self.row_count:,} rows"
        example = f", e.g. {self.example}" if self.example else ""
        return f"table {self.table}: {self.promise}: {rows}{example}"


def block_schema(table: Table) -> dict[str, pl.DataType]:
    """Columns of a sweep's block file of `table`, with their polars types."""
    return {c.name: POLARS_TYPE[c.type] for c in table.block_columns}


def as_block(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """`frame` in the shape of a block file: contract order and types, NaN as null.

    A missing nullable column is added as null.

    Raises
    ------
    ContractError
        If a required column is missing, or a column is not in the contract.
    """
    names = {c.name for c in table.block_columns}
    if extra := sorted(set(frame.columns) - names):
        raise ContractError(f"table {table.name}: column {extra[0]} is not in its contract")
    for column in table.block_columns:
        if column.name not in frame.columns and column.null != "allowed":
            raise ContractError(f"table {table.name}: column {column.name} is missing")
    return frame.select(_shaped(c, c.name in frame.columns) for c in table.block_columns)


def _shaped(column: Column, is_given: bool) -> pl.Expr:
    dtype = POLARS_TYPE[column.type]
    given = pl.col(column.name) if is_given else pl.lit(None)
    cast = given.cast(dtype).alias(column.name)
    return cast.fill_nan(None) if column.type == "number" else cast


def promises(table: Table, columns: tuple[Column, ...]) -> dict[str, str]:
    """Every rule on single rows: its name in words, and the SQL condition that rows must meet.

    The SQL works in both DuckDB and polars. Key and types are not included.
    """
    kept: dict[str, str] = {}
    for column in columns:
        kept |= _column_promises(column)
    present = {c.name for c in columns}
    absent = {c.name for c in table.columns} - present
    for rule in table.rules:
        if not absent & set(rule.sql.split()):
            kept[rule.name.replace("_", " ")] = rule.sql
    return kept


def _column_promises(column: Column) -> dict[str, str]:
    name, kept = column.name, {}
    if column.null == "never":
        kept[f"{name} is never null"] = f"{name} is not null"
    if column.null == "not_assessed":
        kept[f"{name} is filled where assessed"] = (
            f"{name} is not null or verdict = 'not_assessed'"
        )
    if column.allowed:
        values = ", ".join(f"'{v}'" for v in column.allowed)
        kept[f"{name} is one of {', '.join(column.allowed)}"] = f"{name} in ({values})"
    if column.type == "number":
        kept[f"{name} is a finite number"] = f"abs({name}) < 1e300"
    if column.low is not None:
        kept[f"{name} is not below {column.low:g}"] = f"{name} >= {column.low:g}"
    if column.high is not None:
        kept[f"{name} is not above {column.high:g}"] = f"{name} <= {column.high:g}"
    return kept


def violations(frame: pl.DataFrame, table: Table) -> list[Violation]:
    """Contract violations in a frame of block shape; empty if there are none."""
    kept = promises(table, table.block_columns)
    broken = frame.select(
        (~pl.sql_expr(sql)).fill_null(False).sum().alias(name) for name, sql in kept.items()
    ).row(0, named=True)
    found = [Violation(table.name, name, n) for name, n in broken.items() if n]
    key = [k for k in table.key if k in frame.columns]
    if key and (repeated := frame.height - frame.n_unique(key)):
        found.append(Violation(table.name, f"key ({', '.join(key)}) is unique", repeated))
    return found
