"""Contracts hold: every table both ways, block shape, refusals."""

from __future__ import annotations

import polars as pl
import pytest

from rightsize.contracts.frames import as_block, block_schema, promises, violations
from rightsize.contracts.results import BLOCK_TABLES, NOT_ASSESSED, RESULT_TABLES
from rightsize.errors import ContractError


@pytest.mark.parametrize("table", BLOCK_TABLES, ids=lambda t: t.name)
def test_an_empty_block_keeps_every_promise(table):
    assert violations(pl.DataFrame(schema=block_schema(table)), table) == []


def test_a_missing_column_that_may_be_null_is_added_as_null():
    frame = pl.DataFrame(
        {"account_id": ["A"], "code": ["no_reads"], "message": ["no read at all"]}
    )
    block = as_block(frame, NOT_ASSESSED)
    assert block.columns == list(block_schema(NOT_ASSESSED))
    assert block["meter_id"].to_list() == [None]


def test_a_missing_column_that_may_not_be_null_is_refused():
    with pytest.raises(ContractError, match="table not_assessed: column code is missing"):
        as_block(pl.DataFrame({"account_id": ["A"], "message": ["m"]}), NOT_ASSESSED)


def test_a_column_outside_the_contract_is_refused():
    frame = pl.DataFrame(
        {"account_id": ["A"], "code": ["no_reads"], "message": ["m"], "mood": ["x"]}
    )
    with pytest.raises(ContractError, match="column mood is not in its contract"):
        as_block(frame, NOT_ASSESSED)


def test_nan_becomes_null_since_a_database_orders_it_above_all_numbers():
    frame = pl.DataFrame(
        {
            "account_id": ["A"],
            "code": ["no_reads"],
            "message": ["m"],
            "installed_size_in": [float("nan")],
        }
    )
    assert as_block(frame, NOT_ASSESSED)["installed_size_in"].null_count() == 1


@pytest.mark.parametrize("table", RESULT_TABLES, ids=lambda t: t.name)
def test_promises_are_named_apart(table):
    assert len(promises(table, table.columns)) >= len(
        [c for c in table.columns if c.null == "never"]
    )
