"""The demo's loop: sweep, bring the loggers back, sweep again and read what they changed."""

from __future__ import annotations

import duckdb
import pytest

from pipelines.configuration.load_settings import load
from pipelines.demo.back.logs import LOG_DAYS, write_logs
from pipelines.demo.write import write_demo
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import ConfigError

ACCOUNTS, MONTHS = 24, 5


def told(config, question):
    results = config.parent / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        return connection.execute(question).fetchall()


@pytest.fixture(scope="module")
def looped(tmp_path_factory):
    """Configuration of a demo swept with logs of three accounts, and the logs' files."""
    folder = tmp_path_factory.mktemp("demo") / "town"
    write_demo(folder, accounts=ACCOUNTS, months=MONTHS, workers=1)
    config = folder / "sweep.yaml"
    run_sweep(load(config))
    accounts = told(
        config,
        "select account_id from results.recommendation where verdict <> 'not_assessed'"
        " and service_kind = 'domestic' order by peak_10s_gpm desc limit 3",
    )
    files = write_logs(folder, {a: LOG_DAYS for (a,) in accounts})
    run_sweep(load(config))
    return config, files


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_each_log_agrees_with_the_register_it_was_made_beside(looped):
    config, files = looped
    rows = told(
        config,
        "select log_file, is_used, rule, logged_days, rows_landed, rows_accepted,"
        " rows_rejected from results.flow_log_result",
    )
    assert {path for path, *_ in rows} == {str(f) for f in files}
    assert len(files) == 3
    for _, is_used, rule, days, landed, accepted, rejected in rows:
        assert (is_used, rule, days) == (True, None, LOG_DAYS)
        assert (accepted, rejected) == (landed, 0)


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_the_next_sweep_says_what_a_log_changed(looped):
    config, _ = looped
    rows = told(
        config,
        "select action_before, action_after, peak_before_gpm, peak_after_gpm, reason, action"
        " from results.flow_log_result join results.recommendation"
        " using (sweep_id, account_id, meter_id)",
    )
    assert len(rows) == 3
    for before, after, peak_before, peak_after, reason, action in rows:
        assert before is not None
        assert after == action != "log_first"
        assert peak_before != peak_after
        assert f"a flow log of {LOG_DAYS} days is used" in reason


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_nothing_new_is_published_when_no_log_is_new(looped):
    config, _ = looped
    assert run_sweep(load(config)).published is None


def test_a_folder_without_a_demo_is_refused(tmp_path):
    with pytest.raises(ConfigError, match="holds no demo"):
        write_logs(tmp_path)


def test_a_demo_that_was_not_swept_is_refused(tmp_path):
    write_demo(tmp_path / "town", accounts=20, months=1, workers=1)
    with pytest.raises(ConfigError, match="run `rightsize sweep"):
        write_logs(tmp_path / "town")
