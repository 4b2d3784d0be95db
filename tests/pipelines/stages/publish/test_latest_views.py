"""The views named latest_...: the newest sweep's rows of their table, and all of them."""

from __future__ import annotations

import pytest

from rightsize.contracts.testing.test_program import METER_TEST_TABLES
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep


@pytest.fixture(scope="module", params=["us", "metric"])
def results(tmp_path_factory, request):
    """Two sweeps of one utility in one database."""
    folder = tmp_path_factory.mktemp(request.param)
    for number in (1, 2):
        sweep = make_sweep(folder, number, seed=number)
        put_out(sweep, units=request.param)
    return sweep.workspace.results


@pytest.mark.parametrize("table", METER_TEST_TABLES, ids=lambda table: table.name)
def test_a_view_of_meter_tests_holds_the_newest_sweep_and_all_of_it(results, table):
    """LAW: the view is its table, but for the sweep it names, where that is the newest."""
    sweeps = ask(results, f"select distinct sweep_id from {table.name}")
    newest = ask(results, "select max(sweep_id) from sweep")[0][0]
    assert (newest,) in sweeps
    wanted = ask(
        results,
        f"select * exclude (sweep_id) from {table.name} where sweep_id = '{newest}'"
        " order by all",
    )
    assert len(wanted) > 0
    assert ask(results, f"select * from latest_{table.name} order by all") == wanted


def test_there_were_older_rows_to_leave_out(results):
    assert ask(results, "select count(distinct sweep_id) > 1 from meter_test_flow") == [(True,)]
