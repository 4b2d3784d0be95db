"""What logs took off ranges, from published tables: HAND-made sweeps of three accounts."""

from __future__ import annotations

import duckdb
import pytest

from pipelines.pages.learned_accounts import learned_so_far

STATED = [  # sweep, account, action, low, high
    ("s1", "A-1", "log_first", 0.0, 900.0),
    ("s2", "A-1", "log_first", 0.0, 1000.0),  # the last one without the log
    ("s3", "A-1", "change", 300.0, 700.0),
    ("s4", "A-1", "change", 350.0, 650.0),  # the newest
    ("s2", "A-2", "log_first", 0.0, 500.0),
    ("s4", "A-2", "keep", None, None),  # not assessed now: no width
    ("s4", "A-3", "keep", 0.0, 50.0),  # logged before its first sweep: nothing to compare
    ("s2", "A-4", "log_first", 0.0, 80.0),
    ("s4", "A-4", "log_first", 0.0, 80.0),
]
LOGS = [  # sweep, hash, account, used
    ("s3", "a", "A-1", True),
    ("s4", "a", "A-1", True),
    ("s4", "b", "A-1", True),
    ("s4", "c", "A-2", True),
    ("s4", "d", "A-3", True),
    ("s4", "e", "A-4", False),
    ("s4", "f", None, False),
]


@pytest.fixture
def connection():
    with duckdb.connect() as made:
        made.execute("create schema results")
        made.execute(
            "create table results.recommendation (sweep_id text, account_id text,"
            " meter_id text, action text, net_benefit_low_usd_per_year double,"
            " net_benefit_usd_per_year double, net_benefit_high_usd_per_year double)"
        )
        made.executemany(
            "insert into results.recommendation values"
            " ($1, $2, 'M' || $2, $3, $4, ($4 + $5) / 2, $5)",
            STATED,
        )
        yield made


def with_logs(connection, logs) -> None:
    connection.execute(
        "create table results.flow_log_result (sweep_id text, log_hash text, account_id text,"
        " meter_id text, is_used boolean)"
    )
    if logs:
        connection.executemany(
            "insert into results.flow_log_result values ($1, $2, $3, 'M' || $3, $4)", logs
        )


def test_width_of_the_last_sweep_before_the_log_against_the_newest(connection) -> None:
    with_logs(connection, LOGS)
    learned = learned_so_far(connection, log_cost_usd=150.0)
    [row] = learned.rows.to_dicts()
    assert row["account_id"] == "A-1"
    assert row["cost_usd"] == 300.0  # two logs
    assert (row["range_before_usd"], row["range_after_usd"]) == (1000.0, 300.0)
    assert (row["action_before"], row["action_after"]) == ("log_first", "change")
    assert (row["benefit_before_usd"], row["benefit_after_usd"]) == (0.0, 500.0)
    assert learned.taken_off_per_usd == pytest.approx(700 / 300)


def test_a_meter_that_is_kept_has_no_range(connection) -> None:
    connection.execute(
        "update results.recommendation set action = 'keep' where sweep_id = 's4'"
    )
    with_logs(connection, LOGS)
    [row] = learned_so_far(connection, log_cost_usd=150.0).rows.to_dicts()
    assert row["range_before_usd"] == 1000.0
    assert row["range_after_usd"] is None
    assert row["benefit_after_usd"] == 0.0


@pytest.mark.parametrize("logs", [[], LOGS[-2:]], ids=["none", "none used"])
def test_nothing_is_said_before_a_log_is_used(connection, logs) -> None:
    with_logs(connection, logs)
    assert learned_so_far(connection, log_cost_usd=150.0) is None


def test_results_of_an_earlier_version_say_nothing(connection) -> None:
    assert learned_so_far(connection, log_cost_usd=150.0) is None
