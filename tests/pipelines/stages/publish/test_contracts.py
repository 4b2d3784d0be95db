"""Every promise of every table, both ways, in both engines that hold rows against it."""

from __future__ import annotations

import datetime as dt

import duckdb
import polars as pl
import pytest

from pipelines.stages.publish.contract_sql import broken_promises, create_table
from rightsize.contracts.frames import POLARS_TYPE, promises
from rightsize.contracts.results import RESULT_TABLES
from rightsize.contracts.table import Column, Table

# fmt: off
NOW = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
VALID = {
    "text": "x",
    "json": "{}",
    "boolean": True,
    "date": dt.date(2026, 1, 1),
    "timestamp": NOW,
}
# Values that differ from the plain ones so that a row keeps all rules at once.
KEPT = {
    "flow_band": {"band_to_gpm": 2.0},
    "recommendation": {
        "verdict": "fits", "action": "keep", "service_kind": "domestic",
        "installed_accuracy_pct": 100.0, "recommended_accuracy_pct": 200.0,
        "accuracy_gain_pct": 100.0, "accuracy_gain_high_pct": 200.0,
        "recommended_registered_gal_per_year": 2.0, "recommended_bill_usd_per_year": 4.0,
        "renewal_gain_usd_per_year": 0.0, "annual_cost_usd_per_year": 0.0,
        "revenue_gain_usd_per_year": 2.0, "revenue_gain_high_usd_per_year": 2.0,
        "leak_repair_usd_per_year": -1.0, "wear_gain_usd_per_year": 0.0,
        "base_charge_loss_usd_per_year": 0.0,
    },
    "year_money": {
        "use_gain_usd": 0.0, "wear_gain_usd": 0.0, "leak_adjustment_usd": 0.0,
        "avoided_water_usd": 0.0,
        "renewal_gain_usd": 0.0, "base_charge_usd": 0.0, "upkeep_usd": 0.0,
        "change_cost_usd": 0.0, "renewal_credit_usd": 0.0,
    },
    "candidate": {"rejected_because": None},
    "value_of_knowing": {"net_usd": 0.0},
    "sweep": {"accounts": 2, "rows_landed": 3},
    "profile_source": {"rows": 2},
    "realised_gain": {"code": None},
}
# For each rule, values of a row that breaks it and nothing else.
BROKEN = {
    "band has width": {"band_to_gpm": 1.0},
    "change names a meter": {"action": "change", "recommended_size_in": None},
    "fire lines are never changed": {"service_kind": "combined", "action": "change"},
    "accuracy is registered over actual volume": {
        "installed_accuracy_pct": 50.0, "recommended_accuracy_pct": 150.0,
    },
    "accuracy gain is recommended less installed": {"recommended_accuracy_pct": 150.0},
    "accuracy gain is volume gain over actual volume": {
        "accuracy_gain_pct": 50.0, "recommended_accuracy_pct": 150.0,
    },
    "volume gain is recommended less registered": {"recommended_registered_gal_per_year": 5.0},
    "bills differ by the gain": {"recommended_bill_usd_per_year": 9.0},
    "revenue gain is use and steady flow": {
        "use_gain_usd_per_year": 5.0, "use_gain_high_usd_per_year": 5.0,
    },
    "the year adds up": {"net_usd": 3.0},
    "net is gain less cost": {"net_usd": 3.0},
    "net benefit is what is left": {"renewal_gain_usd_per_year": 1.0},
    "feasible breaks no rule": {
        "feasible": False, "rejected_because": "less_benefit", "rank": None,
    },
    "feasible ones rank": {"feasible": False, "rejected_because": "head_loss", "rank": 1},
    "accounts balance": {"accounts": 3},
    "rows balance": {"rows_landed": 4, "rows": 3},
    "a gain or a code": {"code": "outside_data"},
    "time runs forward": {"finished_at": NOW - dt.timedelta(hours=1)},
}


# fmt: on


def _value(column: Column) -> object:
    if column.allowed:
        return column.allowed[0]
    return VALID.get(column.type, 1)


def _row(table: Table) -> dict[str, object]:
    return {c.name: _value(c) for c in table.columns} | KEPT.get(table.name, {})


def _breaking(table: Table, promise: str) -> dict[str, object]:
    """Values that break one promise, told by the words of its name."""
    if promise.endswith(" lies between its ends"):
        _, _, high = _interval(table, promise)
        return {high: 0.0 if high.endswith("share") else 0.5}
    if promise in BROKEN:
        return {k: v for k, v in BROKEN[promise].items() if k in table.column_names}
    name = promise.split(" ")[0]
    if "never null" in promise or "filled where" in promise:
        return {name: None}
    if "one of" in promise:
        return {name: "splendid"}
    if "finite" in promise:
        return {name: float("inf")}
    limit = float(promise.rsplit(" ", 1)[1])
    broken = limit - 1 if " not below " in promise else limit + 1
    return {name: int(broken) if table.column(name).type == "integer" else broken}


def _interval(table: Table, promise: str) -> tuple[str, str, str]:
    """Columns of an interval: low end, estimate, high end."""
    stem = promise.removesuffix(" lies between its ends").replace(" ", "_")
    bounds = [name for name in table.column_names if "_low_" in name]
    (low,) = (
        [n for n in bounds if n.replace("_low", "", 1) == stem]
        or [n for n in bounds if n.startswith(f"{stem}_low_") and not n.endswith("_low_pct")]
        or [n for n in bounds if n.startswith(f"{stem}_low_")]
    )
    return low, low.replace("_low_", "_", 1), low.replace("_low_", "_high_", 1)


CASES = [
    (table, promise) for table in RESULT_TABLES for promise in promises(table, table.columns)
]


def _frame(table: Table, row: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(
        [pl.Series(c.name, [row[c.name]], dtype=POLARS_TYPE[c.type]) for c in table.columns]
    )


def _broken_in_polars(table: Table, frame: pl.DataFrame) -> set[str]:
    kept = promises(table, table.columns)
    flags = frame.select((~pl.sql_expr(s)).fill_null(False).alias(n) for n, s in kept.items())
    return {name for name, is_broken in flags.row(0, named=True).items() if is_broken}


@pytest.fixture(scope="module")
def connection():
    with duckdb.connect() as open_connection:
        open_connection.execute("attach ':memory:' as results")
        for table in RESULT_TABLES:
            statement = create_table(table).replace(" not null", "")
            open_connection.execute(statement)
        yield open_connection


def _broken_in_duckdb(connection, table: Table, frame: pl.DataFrame) -> set[str]:
    connection.register("given", frame.to_arrow())
    connection.execute(f"delete from results.{table.name}")
    connection.execute(f"insert into results.{table.name} select * from given")
    found = broken_promises(connection, table, f"results.{table.name}")
    return {violation.promise for violation in found}


@pytest.mark.parametrize("table", RESULT_TABLES, ids=lambda t: t.name)
def test_a_good_row_keeps_every_promise(connection, table):
    frame = _frame(table, _row(table))
    assert _broken_in_polars(table, frame) == set()
    assert _broken_in_duckdb(connection, table, frame) == set()


@pytest.mark.parametrize(
    ("table", "promise"), CASES, ids=[f"{t.name}: {p[:60]}" for t, p in CASES]
)
def test_a_broken_promise_is_found(connection, table, promise):
    frame = _frame(table, _row(table) | _breaking(table, promise))
    assert promise in _broken_in_polars(table, frame)
    assert promise in _broken_in_duckdb(connection, table, frame)


INTERVALS = [(table, p) for table, p in CASES if p.endswith(" lies between its ends")]


def test_every_interval_of_every_table_is_held():
    """Told by the names of columns, not by the rules."""
    held = {(table.name, _interval(table, p)[0]) for table, p in INTERVALS}
    assert held == {
        (table.name, name)
        for table in RESULT_TABLES
        for name in table.column_names
        if "_low_" in name and not name.startswith("low_")
    }


@pytest.mark.parametrize(
    ("table", "promise"), INTERVALS, ids=[f"{t.name}: {p}" for t, p in INTERVALS]
)
def test_an_estimate_outside_its_interval_is_found_and_one_at_its_end_is_not(
    connection, table, promise
):
    low, estimate, high = _interval(table, promise)
    ends = {low: 0.25, high: 0.75}
    for value, is_outside in ((0.2, True), (0.25, False), (0.75, False), (0.8, True)):
        frame = _frame(table, _row(table) | ends | {estimate: value})
        found = {promise} if is_outside else set()
        # figures that others follow from break the rules of those too
        every = {name for _, name in INTERVALS}
        assert _broken_in_polars(table, frame) & every == found
        assert _broken_in_duckdb(connection, table, frame) & every == found


@pytest.mark.parametrize("table", [t for t in RESULT_TABLES if t.key], ids=lambda t: t.name)
def test_a_repeated_key_is_found(connection, table):
    frame = _frame(table, _row(table))
    twice = pl.concat([frame, frame])
    promise = f"key ({', '.join(table.key)}) is unique"
    assert _broken_in_duckdb(connection, table, twice) == {promise}
