"""Fills the database to be published: tables, the sweep's rows, views, comments."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import datetime

import duckdb
import polars as pl

from pipelines.stages.publish.contract_sql import comments, in_units, quoted, select_list
from pipelines.stages.reconcile import (
    SweepInputs,
    block_files,
    load_partition_file,
    rejected_files,
)
from pipelines.store.checksum import check_here
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literals
from pipelines.store.workspace import Workspace
from rightsize.contracts.frames import POLARS_TYPE, block_schema
from rightsize.contracts.realised_gain import LEAK_PERSISTENCE, REALISED_GAIN
from rightsize.contracts.results import (
    BLOCK_TABLES,
    FINDING,
    LARGEST_TABLE,
    RECOMMENDATION,
    RESULT_TABLES,
    SWEEP,
)
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.contracts.sweeps import (
    LANDED_FILE,
    PROFILE_SOURCE,
    REJECTED_READ,
    SWEEP_DOCUMENT,
)
from rightsize.contracts.table import Table
from rightsize.contracts.views import VIEWS
from rightsize.errors import ContractError
from rightsize.units import UnitSystem
from rightsize.units.column_units import metric_evidence, metric_text


@dataclass(frozen=True)
class Build:
    """The database under construction, and the sweep that goes into it.

    `held_tables` hold the sweep's rows already, see `same_rows`.
    """

    connection: duckdb.DuckDBPyConnection
    workspace: Workspace
    sweep: SweepRecord
    units: UnitSystem
    held_tables: frozenset[str] = frozenset()

    def say_meanings(self) -> None:
        """Comments on every table and column."""
        for table in RESULT_TABLES:
            for statement in comments(in_units(table, self.units)):
                self.connection.execute(statement)

    def create_views(self) -> None:
        """Every view, with its comments."""
        for us_view in VIEWS:
            view = us_view if self.units == "us" else us_view.metric()
            self._run(view.name)
            target = f"results.{view.name}"
            about = quoted(f"{view.meaning} Grain: {view.grain}.")
            self.connection.execute(f"comment on view {target} is {about}")
            for name in self._columns(target):
                comment = quoted(view.comment(name))
                self.connection.execute(f"comment on column {target}.{name} is {comment}")

    def beside(self) -> Build:
        """The same build on another connection, for a second thread."""
        cursor = self.connection.cursor()
        cursor.execute("set TimeZone = 'UTC'")
        return replace(self, connection=cursor)

    def insert_largest(self) -> None:
        """The rows of the sweep in its largest table.

        Raises
        ------
        ContractError
            As `insert_sweep`.
        """
        self._load_block(LARGEST_TABLE)
        self._insert_block(LARGEST_TABLE)

    def insert_sweep(self, reconciliation: Reconciliation, inputs: SweepInputs) -> None:
        """All other rows of the sweep, from its blocks, its record and the ledger.

        Raises
        ------
        ContractError
            If a block lacks a required column, or has a null in one.
        """
        self._insert_frame(SWEEP, self._sweep_row(reconciliation))
        self._insert_frame(SWEEP_DOCUMENT, self._documents())
        for table in BLOCK_TABLES:
            self._load_block(table)
        self._insert_recommendations(inputs)
        if self.units == "metric":
            self._metric_evidence()
        self.connection.execute(sql_text("70_publish/finding_row"))
        for table in BLOCK_TABLES:
            if table not in (RECOMMENDATION, LARGEST_TABLE):
                self._insert_block(table)
        load_partition_file(self.connection, inputs.profile_folders)
        self._insert(PROFILE_SOURCE, "partition_file", has_sweep=False)
        self._insert_frame(LANDED_FILE, inputs.ledger)
        if inputs.realised_gain is not None:
            self._insert_frame(REALISED_GAIN, inputs.realised_gain)
        if inputs.leak_persistence is not None:
            self._insert_frame(LEAK_PERSISTENCE, inputs.leak_persistence)
        self._insert_rejected()

    def source_of(self, table: Table) -> str:
        """The relation that a table's rows of this sweep come from."""
        return "finding_row" if table is FINDING else f"{table.name}_block"

    def _insert_block(self, table: Table) -> None:
        if table.name not in self.held_tables:
            self._insert(table, self.source_of(table), has_sweep=False)

    def _insert_recommendations(self, inputs: SweepInputs) -> None:
        self.connection.register(
            "service_frame", inputs.service.select("account_id", "meter_id").unique().to_arrow()
        )
        self.connection.execute(sql_text("70_publish/unassessed"))
        self._view("assessed_row", RECOMMENDATION, "recommendation_block")
        self._view("unassessed_row", RECOMMENDATION, "unassessed")
        self.connection.execute(
            "create or replace temp view new_recommendation as"
            " from assessed_row union all by name from unassessed_row"
        )
        self._run("settled", sweep_id=self.sweep.sweep_id)
        names = in_units(RECOMMENDATION, self.units).column_names
        values = ", ".join(
            f"settled.{n}"
            if n in ("settled_verdict", "settled_action", "sweeps_held")
            else quoted(self.sweep.sweep_id)
            if n == "sweep_id"
            else f"new_recommendation.{n}"
            for n in names
        )
        self._execute(
            RECOMMENDATION,
            f"insert into results.recommendation ({', '.join(names)}) select {values}"
            " from new_recommendation inner join settled using (account_id, meter_id)"
            " order by new_recommendation.account_id, new_recommendation.meter_id",
        )

    def _metric_evidence(self) -> None:
        """Findings carry their numbers as JSON, which no select list converts."""
        found = self.connection.sql("from finding_block").pl()
        changed = pl.Series(
            "evidence", [metric_evidence(e) for e in found["evidence"]], pl.String
        )
        self.connection.execute("drop view if exists finding_block")
        self.connection.register("finding_block", found.with_columns(changed).to_arrow())

    def _view(self, name: str, table: Table, relation: str) -> None:
        """A view of `relation` in published units and types, without the sweep."""
        values = select_list(
            table.block_columns, self._columns(relation), source="us", target=self.units
        )
        self.connection.execute(
            f"create or replace temp view {name} as select {values} from {relation}"
        )

    def _load_block(self, table: Table) -> None:
        files = block_files(self.workspace, self.sweep.sweep_id, table)
        name = f"{table.name}_block"
        if files:
            check_here(files)
            listed = ", ".join(quoted(f) for f in literals(files))
            self.connection.execute(
                f"create or replace temp view {name} as"
                f" from read_parquet([{listed}], union_by_name = true,"
                " hive_partitioning = false)"
            )
        else:
            self.connection.register(name, pl.DataFrame(schema=block_schema(table)).to_arrow())

    def _insert(self, table: Table, relation: str, *, has_sweep: bool) -> None:
        present = self._columns(relation)
        columns = [c for c in table.columns if c.name != "sweep_id" or has_sweep]
        values = select_list(columns, present, source="us", target=self.units)
        names = list(in_units(table, self.units).column_names)
        if not has_sweep and "sweep_id" in names:
            names.remove("sweep_id")
            names.append("sweep_id")
            values += f", {quoted(self.sweep.sweep_id)}"
        self._execute(
            table,
            f"insert into results.{table.name} ({', '.join(names)})"
            f" select {values} from {relation}",
        )

    def _insert_frame(self, table: Table, frame: pl.DataFrame) -> None:
        self.connection.register("frame_of_rows", frame.to_arrow())
        self._insert(table, "frame_of_rows", has_sweep=True)
        self.connection.unregister("frame_of_rows")

    def _insert_rejected(self) -> None:
        files = rejected_files(self.workspace)
        if files:
            check_here(files)
            listed = ", ".join(quoted(f) for f in literals(files))
            self.connection.execute(
                "create or replace temp view rejected_file as"
                f" from read_parquet([{listed}], union_by_name = true,"
                " hive_partitioning = false)"
            )
            self._insert(REJECTED_READ, "rejected_file", has_sweep=True)

    def _sweep_row(self, reconciliation: Reconciliation) -> pl.DataFrame:
        record = asdict(self.sweep)
        record.pop("documents")
        return one_row(SWEEP, {**record, **asdict(reconciliation), "units": self.units})

    def _documents(self) -> pl.DataFrame:
        rows = [
            {
                "sweep_id": self.sweep.sweep_id,
                "document": name,
                "content_hash": hashlib.sha256(content.encode()).hexdigest()[:16],
                "content": content,
            }
            for name, content in sorted(
                (k, json.dumps(v, sort_keys=True)) for k, v in self.sweep.documents.items()
            )
        ]
        return pl.DataFrame(rows, schema={c.name: pl.String for c in SWEEP_DOCUMENT.columns})

    def _columns(self, relation: str) -> Sequence[str]:
        return self.connection.sql(f"from {relation} limit 0").columns

    def _run(self, relation: str, **parameters: object) -> None:
        statement = sql_text(f"70_publish/{relation}")
        query = statement if self.units == "us" else metric_text(statement)
        self.connection.execute(query, parameters or None)

    def _execute(self, table: Table, statement: str) -> None:
        try:
            self.connection.execute(statement)
        except (duckdb.ConstraintException, duckdb.ConversionException) as error:
            raise ContractError(f"table {table.name}: {error}") from None


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Group many small changes into one write."""
    connection.execute("begin")
    yield
    connection.execute("commit")


def one_row(table: Table, values: dict[str, object]) -> pl.DataFrame:
    """A frame of one row with the contract's types.

    Raises
    ------
    ContractError
        If a value is missing.
    """
    if missing := [n for n in table.column_names if n not in values]:
        raise ContractError(f"table {table.name}: column {missing[0]} is missing")
    series = [
        pl.Series(c.name, [_utc(values[c.name])], dtype=POLARS_TYPE[c.type])
        for c in table.columns
    ]
    return pl.DataFrame(series)


def _utc(value: object) -> object:
    if isinstance(value, datetime) and value.tzinfo is None:
        raise ContractError("sweep times must have a time zone")
    return value
