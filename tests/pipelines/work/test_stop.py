"""A signal stops a sweep, whatever it meets."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipelines.stages.land import land
from pipelines.store.open_connections import interruptible
from pipelines.work.observe import stage_cost
from pipelines.work.stop import signals_seen, statements_ended, stoppable
from tests.faults.told import GOOD_READS
from tests.pipelines.exports import Utility

LONG = "create table x as select md5(i::varchar) as m from range(15000000) t(i)"
"""Work that outlasts the signal on any machine: it is seen at the latest when this ends."""


@pytest.fixture(autouse=True)
def ctrl_c() -> Iterator[None]:
    """Python's own answer to Ctrl-C; a shell's background jobs start with it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def soon(number: int) -> threading.Timer:
    timer = threading.Timer(0.3, os.kill, (os.getpid(), number))
    timer.start()
    return timer


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_in_mid_statement_is_a_stop_not_a_failure(number: int):
    soon(number)
    with duckdb.connect() as connection, pytest.raises(KeyboardInterrupt), stoppable():
        connection.execute(LONG)


@pytest.mark.parametrize(
    "error", [RuntimeError("Query interrupted"), duckdb.InterruptException("Interrupted!")]
)
def test_a_stop_while_a_file_lands_is_no_problem_of_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
):
    """MEASURED: DuckDB raises the one or the other; before, the first was told of the file."""
    utility = Utility(tmp_path, {"layout": "interval"})
    (tmp_path / "exports" / "reads.csv").write_text(GOOD_READS)

    def stopped(*args: object) -> None:
        raise error

    monkeypatch.setattr(land, "land_file", stopped)
    with pytest.raises(KeyboardInterrupt), signals_seen():
        land.land(utility.loaded, utility.workspace)


def test_a_stage_that_a_signal_ended_in_mid_statement_is_stopped():
    soon(signal.SIGINT)
    with (
        duckdb.connect() as connection,
        pytest.raises(KeyboardInterrupt),
        stage_cost("land") as cost,
        signals_seen(),
    ):
        connection.execute(LONG)
    assert cost.outcome == "stopped"


def test_a_statement_is_ended_though_nobody_asks_for_signals():
    """Seen by another thread: a handler that does nothing stands for one that cannot run."""
    signal.signal(signal.SIGINT, lambda number, frame: None)
    with interruptible(duckdb.connect()) as connection:
        in_vain = threading.Timer(60, connection.interrupt)
        in_vain.start()
        soon(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt), signals_seen(), statements_ended():
            connection.execute("select sum(hash(i)) from range(400_000_000_000) t(i)")
        assert in_vain.is_alive(), "ended by the signal, not by the test"
        in_vain.cancel()
        assert connection.execute("select 1").fetchone() == (1,)


def test_a_signal_that_is_no_stop_ends_nothing():
    before = signal.signal(signal.SIGUSR1, lambda number, frame: None)
    with interruptible(duckdb.connect()) as connection, statements_ended():
        os.kill(os.getpid(), signal.SIGUSR1)
        assert connection.execute("select count(*) from range(10_000_000)").fetchone()
    signal.signal(signal.SIGUSR1, before)


def test_who_is_woken_by_signals_already_stays_so():
    read, write = os.pipe()
    os.set_blocking(write, False)
    signal.set_wakeup_fd(write)
    with statements_ended():
        pass
    assert signal.set_wakeup_fd(-1) == write
    os.close(read)
    os.close(write)


def test_other_runtime_errors_stay_what_they_are():
    with pytest.raises(RuntimeError, match="can't start"), stoppable():
        raise RuntimeError("can't start new thread")
