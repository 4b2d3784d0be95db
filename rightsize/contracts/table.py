"""Contracts of tables, and of views: grain, key, and what each column means and may hold.

Contracts are data: they define the published tables and their comments, the checks before
publication, the data dictionary, and the metric version of every table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from rightsize.errors import ContractError
from rightsize.units.column_units import metric_name, unit_of

ColumnType = Literal["text", "integer", "number", "boolean", "timestamp", "date", "json"]
Nullability = Literal["never", "not_assessed", "allowed"]
Origin = Literal["sweep", "publish"]

_LOW_END: Final = "low end of the 90 % interval"
_HIGH_END: Final = "high end of the 90 % interval"

NULL_TEXT: Final[dict[str, str]] = {
    "never": "never null",
    "not_assessed": "null only if the account is not assessed",
    "allowed": "may be null",
}


@dataclass(frozen=True)
class Column:
    """One column of a published table.

    `null` says when it may be null, and `null_means` what a null means. `origin` separates
    columns in a sweep's block files from columns added at publication.
    """

    name: str
    type: ColumnType
    meaning: str
    null: Nullability = "never"
    null_means: str = ""
    allowed: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    origin: Origin = "sweep"

    @property
    def unit(self) -> str:
        """Unit in words, taken from the name; empty for text and similar types."""
        return (
            unit_of(self.name)
            if self.type in ("number", "integer", "date", "timestamp")
            else ""
        )

    @property
    def comment(self) -> str:
        """The column's comment in the database: unit, meaning, values, nulls."""
        parts = [f"[{self.unit}] {self.meaning}" if self.unit else self.meaning]
        if self.allowed:
            parts.append(f"one of: {', '.join(self.allowed)}")
        parts.append(NULL_TEXT[self.null] + (f": {self.null_means}" if self.null_means else ""))
        return "; ".join(parts)


@dataclass(frozen=True)
class Rule:
    """A condition that every row must meet, as SQL for both DuckDB and polars.

    A row for which the condition is null (one of its columns is null) passes.
    """

    name: str
    sql: str


@dataclass(frozen=True)
class Table:
    """One published table."""

    name: str
    meaning: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    rules: tuple[Rule, ...] = ()
    has_history: bool = True
    is_detail: bool = False  # large: kept for fewer sweeps than the rest

    def __post_init__(self) -> None:
        names = self.column_names
        if len(set(names)) != len(names):
            raise ValueError(f"table {self.name}: duplicate column")
        if missing := set(self.key) - set(names):
            raise ValueError(
                f"table {self.name}: key columns not in the table: {sorted(missing)}"
            )

    @property
    def column_names(self) -> tuple[str, ...]:
        """Column names in published order."""
        return tuple(c.name for c in self.columns)

    @property
    def block_columns(self) -> tuple[Column, ...]:
        """Columns of the sweep's block files: all but those added at publication."""
        return tuple(c for c in self.columns if c.origin == "sweep")

    def column(self, name: str) -> Column:
        """The column with this name."""
        return next(c for c in self.columns if c.name == name)

    def metric(self) -> Table:
        """The same table with metric column names; meanings are unchanged."""
        rename = {c.name: metric_name(c.name) for c in self.columns}
        return replace(
            self,
            key=tuple(rename[k] for k in self.key),
            columns=tuple(replace(c, name=rename[c.name]) for c in self.columns),
            rules=tuple(_renamed(rule, rename) for rule in self.rules),
        )


def _renamed(rule: Rule, rename: dict[str, str]) -> Rule:
    words = [rename.get(word, word) for word in rule.sql.split(" ")]
    return replace(rule, sql=" ".join(words))


def text(
    name: str,
    meaning: str,
    *,
    null: Nullability = "never",
    null_means: str = "",
    allowed: tuple[str, ...] = (),
    origin: Origin = "sweep",
) -> Column:
    """A text column."""
    return Column(name, "text", meaning, null, null_means, allowed, origin=origin)


def number(
    name: str,
    meaning: str,
    *,
    null: Nullability = "never",
    null_means: str = "",
    low: float | None = None,
    high: float | None = None,
    origin: Origin = "sweep",
) -> Column:
    """A numeric column; shares and probabilities default to bounds of 0 and 1."""
    if low is None and high is None and (name.endswith("_share") or name.startswith("odds_")):
        low, high = 0.0, 1.0
    return Column(name, "number", meaning, null, null_means, (), low, high, origin)


def count(
    name: str,
    meaning: str,
    *,
    null: Nullability = "never",
    null_means: str = "",
    origin: Origin = "sweep",
) -> Column:
    """A column of non-negative whole numbers."""
    return Column(name, "integer", meaning, null, null_means, (), 0, None, origin)


def interval_columns(
    stem: str, unit: str, meaning: str, *, null: Nullability = "never", low: float | None = None
) -> tuple[Column, ...]:
    """An estimate and both ends of its 90 % interval: `stem_unit`, `stem_low_unit`, ..."""
    return (
        number(f"{stem}_{unit}", meaning, null=null, low=low),
        number(f"{stem}_low_{unit}", f"{meaning}: {_LOW_END}", null=null, low=low),
        number(f"{stem}_high_{unit}", f"{meaning}: {_HIGH_END}", null=null, low=low),
    )


def interval_rule(stem: str, unit: str) -> Rule:
    """The ends of an interval are in order, with the estimate between them."""
    low, estimate, high = f"{stem}_low_{unit}", f"{stem}_{unit}", f"{stem}_high_{unit}"
    return Rule(
        f"{stem}_lies_between_its_ends",
        f"{low} <= {high} and {low} <= {estimate} and {estimate} <= {high}",
    )


@dataclass(frozen=True)
class View:
    """One published view."""

    name: str
    meaning: str
    grain: str
    base: tuple[Table, ...]
    own: dict[str, str]

    def comment(self, column: str) -> str:
        """The comment of one of its columns.

        Raises
        ------
        ContractError
            If the column has no meaning stated.
        """
        if column in self.own:
            unit = unit_of(column)
            return f"[{unit}] {self.own[column]}" if unit else self.own[column]
        for table in self.base:
            if column in table.column_names:
                return table.column(column).comment
        raise ContractError(f"view {self.name}: column {column} has no meaning given")

    def metric(self) -> View:
        """The same view on metric tables."""
        own = {metric_name(name): meaning for name, meaning in self.own.items()}
        return replace(self, base=tuple(t.metric() for t in self.base), own=own)


def latest_of(table: Table) -> View:
    """A table's rows of the latest sweep."""
    grain = table.grain.replace("one row per sweep", "one row per", 1).replace("per, ", "per ")
    return View(
        f"latest_{table.name}",
        f"Latest sweep. {table.meaning}",
        grain.replace("per and ", "per "),
        (table,),
        {},
    )
