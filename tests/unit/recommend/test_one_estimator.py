"""Accuracy, volume and money of a row are one estimate, said three times."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.results import CANDIDATE, RECOMMENDATION
from rightsize.recommend.choose import decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

SINGLE_PRECISION = 1e-5  # relative; draws are held in single precision, some tens are added


def test_accuracy_is_the_ratio_of_the_means() -> None:
    """HAND: 90 gal of 100 or of 300 gal are 45 % of 200, not the mean of 90 % and 30 %."""
    block, posterior, sites, meters = fleet(40, draws=2)
    registered = posterior.installed_gal_per_year.mean(axis=0)
    posterior = replace(
        posterior,
        installed_gal_per_year=np.tile(registered, (2, 1)),
        actual_gal_per_year=np.stack([registered / 0.9, registered / 0.3]),
    )
    made = decide(
        block, posterior, sites, meters, tariff(), Thresholds(), units="us"
    ).recommendation
    found = made.filter(pl.col("verdict") != "not_assessed")
    assert found.height > 10
    assert found["installed_accuracy_pct"].to_list() == pytest.approx([45.0] * found.height)


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 2**20),
    spread=st.floats(0.01, 1.5),
    age=st.sampled_from([np.nan, 0.0, 12.0, 40.0]),
    wear=st.floats(0.5, 1.0),
    elasticity=st.sampled_from([0.0, -0.3]),
)
def test_every_row_keeps_the_identities(
    seed: int, spread: float, age: float, wear: float, elasticity: float
) -> None:
    """LAW: whatever is unknown, worn or due for renewal, a row's figures follow each other."""
    block, posterior, sites, meters = fleet(60, seed=seed, spread=spread)
    posterior = replace(
        posterior, installed_gal_per_year=posterior.installed_gal_per_year * wear
    )
    sites = replace(sites, age_years=np.full(60, age))
    limits = Thresholds(demand_elasticity=elasticity)
    made = decide(block, posterior, sites, meters, tariff(), limits, units="us")
    assert not violations(as_block(made.recommendation, RECOMMENDATION), RECOMMENDATION)
    assert not violations(as_block(made.candidate, CANDIDATE), CANDIDATE)
    held = made.candidate.join(
        made.recommendation.select("meter_id", "expected_actual_gal_per_year"), on="meter_id"
    )
    told = held["accuracy_pct"] * held["expected_actual_gal_per_year"] / 100
    off = (told - held["registered_gal_per_year"]).abs()
    assert (off <= SINGLE_PRECISION * held["expected_actual_gal_per_year"]).all()
