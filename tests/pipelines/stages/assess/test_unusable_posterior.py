"""One account whose posterior cannot be used costs that account its verdict, no other's."""

from __future__ import annotations

from dataclasses import replace

import duckdb
import numpy as np
import pytest

from pipelines.configuration.load_settings import load
from pipelines.stages.assess import assess
from pipelines.sweep.sweep import run_sweep
from tests.pipelines.small_utility import quick_utility

MONTH_OF_READS = (
    "min_days_covered: 20\ndraws: 50\ntolerated_not_assessed_share: 1\n"
    "tolerated_rejected_share: 1\n"
)


def _spoilt(posterior, rows):
    """The posterior with no finite number for the accounts of `rows`."""
    changed, draws = {}, len(posterior.actual_gal_per_year)
    for name in vars(posterior):
        values = getattr(posterior, name)
        if not isinstance(values, np.ndarray) or values.dtype.kind != "f":
            continue
        values = values.copy()
        axis = 1 if values.shape[0] == draws and values.ndim > 1 else 0
        values[(slice(None),) * axis + (rows,)] = np.nan
        changed[name] = values
    return replace(posterior, **changed)


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory):
    """Results of a sweep in which the first account of the first block had no estimate."""
    config = quick_utility(tmp_path_factory.mktemp("spoilt") / "utility")
    (config.parent / "thresholds.yaml").write_text(MONTH_OF_READS)
    infer, spoilt = assess.infer, []

    def infer_spoilt(block, *arguments, **named):
        posterior = infer(block, *arguments, **named)
        if spoilt:
            return posterior
        spoilt.append(block.account_id[0])
        return _spoilt(posterior, 0)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(assess, "infer", infer_spoilt)
        outcome = run_sweep(load(config), workers=1)
    assert outcome.published is not None
    with duckdb.connect(str(outcome.workspace.results), read_only=True) as connection:
        yield connection, spoilt[0]


def test_the_account_is_published_as_not_assessed(published):
    connection, account = published
    rows = connection.execute(
        "select account_id, customer_class, service_kind, installed_type is not null"
        " from results.not_assessed where code = 'no_estimate'"
    ).fetchall()
    in_list = connection.execute(
        "select customer_class, service_kind, true from results.recommendation"
        " where account_id = ? and verdict = 'not_assessed'",
        [account],
    ).fetchall()
    assert [(account, *row) for row in in_list] == rows


def test_every_other_account_keeps_its_verdict(published):
    connection, account = published
    assessed = connection.execute(
        "select account_id from results.recommendation where verdict <> 'not_assessed'"
    ).fetchall()
    assert len(assessed) >= 3
    assert (account,) not in assessed


@pytest.mark.parametrize("table", ["profile", "flow_band", "candidate"])
def test_no_figure_of_it_is_published(published, table: str):
    connection, account = published
    rows = connection.execute(
        f"select count(*) filter (where account_id = ?), count(*) from results.{table}",
        [account],
    ).fetchone()
    assert rows[0] == 0
    assert rows[1] > 0
