"""Every balance, both ways: a whole sweep passes, one broken thing is named."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from pipelines.stages.reconcile import reconcile
from rightsize.contracts.results import NOT_ASSESSED, RECOMMENDATION
from rightsize.errors import BalanceError
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep, write_blocks


@pytest.fixture
def sweep(tmp_path):
    return make_sweep(tmp_path)


def _reconcile(sweep, **inputs):
    return reconcile(sweep.workspace, sweep.record, replace(sweep.inputs, **inputs))


def _ledger(sweep, **values):
    return sweep.inputs.ledger.with_columns(
        *(
            pl.when(pl.col("file_hash") == "file1").then(v).otherwise(pl.col(k)).alias(k)
            for k, v in values.items()
        )
    )


def test_a_whole_sweep_balances_with_its_counts(sweep):
    """HAND: 40 accounts, each tenth refused; 2 files x 8 partitions x 100 rows, 3 rejected."""
    counts = _reconcile(sweep)
    assert (counts.accounts, counts.assessed, counts.not_assessed) == (40, 36, 4)
    assert (counts.rows_landed, counts.rows_accepted) == (1603, 1520)
    assert (counts.rows_rejected, counts.rows_superseded) == (3, 80)
    assert (counts.accepted_gal, counts.superseded_gal) == (15200, 800)


def test_rows_lost_while_landing_are_named_with_the_file(sweep):
    with pytest.raises(BalanceError, match=r"rows read = accepted \+ rejected.*reads-1\.csv"):
        _reconcile(sweep, ledger=_ledger(sweep, rows_landed=804))


def test_rows_that_no_profile_used_are_named(sweep):
    with pytest.raises(BalanceError, match="accepted 800, in profiles 700"):
        _reconcile(sweep, profile_folders=sweep.inputs.profile_folders[:-1])


def test_a_partition_that_loses_rows_is_named(sweep):
    path = sweep.inputs.profile_folders[0] / "balance.parquet"
    pl.read_parquet(path).with_columns(current_rows=89).write_parquet(path)
    with pytest.raises(BalanceError, match="month 2025-01 bucket 0, file file1"):
        _reconcile(sweep)


def test_lost_volume_is_named(sweep):
    """The row counts hold, the volume does not: 8,000 gal landed, 7,999 used."""
    with pytest.raises(BalanceError, match=r"volume accepted.*7999"):
        _reconcile(sweep, ledger=_ledger(sweep, accepted_gal=7999.0))


def test_a_ledger_without_volume_is_not_held_to_it(sweep):
    ledger = sweep.inputs.ledger.with_columns(accepted_gal=pl.lit(None, dtype=pl.Float64))
    assert _reconcile(sweep, ledger=ledger).rows_landed == 1603


def test_a_refused_row_that_was_not_kept_is_named(sweep):
    path = sweep.workspace.rejected / "file1.parquet"
    pl.read_parquet(path).head(2).write_parquet(path)
    with pytest.raises(BalanceError, match="rejected 3, stored 2"):
        _reconcile(sweep)


def test_a_profile_of_a_file_unknown_to_the_ledger_is_named(sweep):
    with pytest.raises(BalanceError, match="a file that the ledger does not hold"):
        _reconcile(sweep, ledger=sweep.inputs.ledger.filter(pl.col("file_hash") != "file2"))


def test_a_meter_without_result_is_named(sweep):
    kept = sweep.frames["recommendation"].filter(pl.col("account_id") != "A000003")
    write_blocks(sweep.workspace, sweep.record, RECOMMENDATION, kept)
    with pytest.raises(
        BalanceError, match="A000003 meter M000003: in service, but no verdict and"
    ):
        _reconcile(sweep)


def test_a_meter_with_two_results_is_named(sweep):
    refused = sweep.frames["not_assessed"]
    more = refused.head(1).with_columns(
        account_id=pl.lit("A000003"), meter_id=pl.lit("M000003")
    )
    twice = pl.concat([refused, more])
    write_blocks(sweep.workspace, sweep.record, NOT_ASSESSED, twice)
    with pytest.raises(BalanceError, match="1 verdicts and 1 reasons for no verdict"):
        _reconcile(sweep)


def test_a_result_for_an_account_out_of_service_is_named(sweep):
    with pytest.raises(
        BalanceError, match="A000003 meter M000003: in the results, but not in serv"
    ):
        _reconcile(
            sweep, service=sweep.inputs.service.filter(pl.col("account_id") != "A000003")
        )


def test_a_reason_without_meter_speaks_for_every_meter_of_its_account(sweep):
    service = pl.concat(
        [sweep.inputs.service, pl.DataFrame({"account_id": ["A000009"], "meter_id": ["M-2"]})]
    )
    refused = sweep.frames["not_assessed"].with_columns(
        meter_id=pl.when(pl.col("account_id") == "A000009").then(None).otherwise("meter_id")
    )
    write_blocks(sweep.workspace, sweep.record, NOT_ASSESSED, refused)
    assert _reconcile(sweep, service=service).not_assessed == 4


def test_an_empty_fleet_and_lake_balance_at_zero(tmp_path):
    sweep = make_sweep(tmp_path, accounts=0)
    for path in sweep.workspace.rejected.glob("*"):
        path.unlink()
    counts = _reconcile(sweep, ledger=sweep.inputs.ledger.clear(), profile_folders=())
    assert (counts.accounts, counts.rows_landed) == (0, 0)
