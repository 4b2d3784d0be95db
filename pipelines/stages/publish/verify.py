"""Checks the finished database against its contracts before it replaces the current one."""

from __future__ import annotations

from collections.abc import Iterator

from pipelines.stages.publish.build import Build
from pipelines.stages.publish.contract_sql import broken_promises, in_units, only_row, quoted
from rightsize.contracts.results import BLOCK_TABLES, RECOMMENDATION, RESULT_TABLES
from rightsize.contracts.views import VIEWS
from rightsize.errors import ContractError


def verify(build: Build) -> dict[str, int]:
    """Rows by table, if every check passes.

    Raises
    ------
    ContractError
        One line per failed check.
    """
    failed = [*_promises(build), *_balance(build), *_orphans(build), *_comments(build)]
    if failed:
        raise ContractError("\n".join(f"check failed: {text}" for text in failed))
    return {
        table.name: _count(build, f"select count(*) from results.{table.name}")
        for table in RESULT_TABLES
    }


def _promises(build: Build) -> Iterator[str]:
    for us_table in RESULT_TABLES:
        table = in_units(us_table, build.units)
        where = f"sweep_id = {quoted(build.sweep.sweep_id)}" if table.has_history else "true"
        relation = f"results.{table.name}"
        for violation in broken_promises(build.connection, table, relation, where):
            yield str(violation)


def _balance(build: Build) -> Iterator[str]:
    """Published rows equal the rows of the blocks plus unassessed meters."""
    for table in BLOCK_TABLES:
        landed = _count(build, f"select count(*) from {build.source_of(table)}")
        if table is RECOMMENDATION:
            landed += _count(build, "select count(*) from unassessed")
        held = _count(
            build,
            f"select count(*) from results.{table.name}"
            f" where sweep_id = {quoted(build.sweep.sweep_id)}",
        )
        if landed != held:
            yield f"table {table.name}: {landed:,} rows computed, {held:,} published"


def _orphans(build: Build) -> Iterator[str]:
    """Every row about a meter belongs to a recommendation of the sweep."""
    sweep = quoted(build.sweep.sweep_id)
    for table in ("candidate", "flow_band", "profile"):
        rows = build.connection.execute(
            f"select distinct account_id, meter_id from results.{table} as detail"
            f" where sweep_id = {sweep} and not exists ("
            f"select 1 from results.recommendation as head where head.sweep_id = {sweep}"
            " and head.account_id = detail.account_id and head.meter_id = detail.meter_id)"
        ).fetchall()
        if rows:
            account, meter = min(rows)
            yield (
                f"table {table}: {len(rows):,} meters without a recommendation, "
                f"e.g. account {account} meter {meter}"
            )


def _comments(build: Build) -> Iterator[str]:
    rows = build.connection.execute(
        "select table_name, column_name from duckdb_columns() where database_name = 'results'"
        " and comment is null"
    ).fetchall()
    for table, column in rows:
        yield f"column {table}.{column} has no comment"
    for view in VIEWS:
        build.connection.execute(f"from results.{view.name} limit 0")  # the view still resolves


def _count(build: Build, statement: str) -> int:
    (count,) = only_row(build.connection, statement)
    return int(count)
