"""The register's step as the reads show it (PLANTED steps)."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.store.resources import sql_text
from rightsize.units import GAL_PER_UNIT


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as opened:
        yield opened


def step(connection: duckdb.DuckDBPyConnection, volumes: list[float]) -> float | None:
    connection.execute(
        "create or replace temp table current_read as "
        "select 1 as meter_key, unnest(?::double[]) as registered_gal, true as is_shape",
        [volumes],
    )
    connection.execute(sql_text("30_profile/register_step"))
    row = connection.execute("select step_gal from register_step").fetchone()
    return None if row is None else row[0]


STEPS = st.sampled_from(
    [0.01, 0.1, 1.0, 10.0, 100.0, 1000.0]
    + [k * GAL_PER_UNIT["ft3"] for k in (0.01, 0.1, 1.0, 10.0, 100.0)]
    + [k * GAL_PER_UNIT["m3"] for k in (0.001, 0.01, 0.1)]
)


@settings(max_examples=60, deadline=None)
@given(planted=STEPS, seed=st.integers(0, 999), mean=st.sampled_from([2, 20, 200]))
def test_the_step_of_whole_counts_is_found_whatever_odd_reads_there_are(
    connection: duckdb.DuckDBPyConnection, planted: float, seed: int, mean: int
) -> None:
    """Law: counts times the step, a few odd reads among them, show the step."""
    drawn = np.random.default_rng(seed)
    volumes = np.floor(drawn.exponential(mean, 700)) * planted
    odd = drawn.uniform(0, mean * planted, 10)
    found = step(connection, [*volumes.tolist(), *odd.tolist()])
    assert found == pytest.approx(planted, rel=1e-3)


def test_a_lone_step_is_known_from_reads_that_are_all_the_same(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    assert step(connection, [0.0] * 600 + [100.0] * 40) == 100.0


def test_a_step_that_no_volume_has_alone_is_found(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    assert step(connection, [700.0, 900.0, 1300.0] * 9) == pytest.approx(100.0)


def test_volumes_without_a_step_show_none(connection: duckdb.DuckDBPyConnection) -> None:
    volumes = [(k * 0.7548776662466927) % 1 * 50 + 1 for k in range(700)]
    assert step(connection, volumes) is None
    assert step(connection, [1.0, 2.0]) is None  # too few


def test_the_least_step_that_is_sought_is_found_and_no_smaller_one(
    connection: duckdb.DuckDBPyConnection,
) -> None:
    """HAND: multiples of a ten-thousandth of a gallon, and of half of that."""
    counts = [3, 5, 6, 7, 9, 11, 13] * 3
    assert step(connection, [round(k * 1e-4, 6) for k in counts]) == 1e-4
    assert step(connection, [round(k * 5e-5, 6) for k in counts]) is None
