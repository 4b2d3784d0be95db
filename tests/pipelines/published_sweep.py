"""A published synthetic sweep, and the steps to publish one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipelines.stages.publish.publish import PublishSummary, publish
from pipelines.stages.reconcile import reconcile
from tests.pipelines.stages.publish.synthetic_sweep import SyntheticSweep, make_sweep

Rows = list[tuple[object, ...]]


def put_out(sweep: SyntheticSweep, **options: object) -> PublishSummary:
    counts = reconcile(sweep.workspace, sweep.record, sweep.inputs)
    return publish(
        sweep.workspace, sweep.record, counts, sweep.inputs, **{"units": "us", **options}
    )


def ask(path: Path, sql: str) -> Rows:
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute(sql).fetchall()


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> SyntheticSweep:
    """One sweep, published once; tests only read it."""
    sweep = make_sweep(tmp_path_factory.mktemp("published"))
    put_out(sweep)
    return sweep


@pytest.fixture
def answer(published: SyntheticSweep) -> Callable[[str], Rows]:
    return lambda sql: ask(published.workspace.results, sql)
