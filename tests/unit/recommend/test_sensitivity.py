"""What a recommendation rests on."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.recommend.choose import decide
from rightsize.recommend.sensitivity import SCENARIOS, Scenario, sensitivity
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff


@pytest.fixture(scope="module")
def rows() -> pl.DataFrame:
    block, posterior, sites, meters = fleet(80)
    names = [(m.meter_type, m.size_in) for m in meters.meters]
    base = decide(block, posterior, sites, meters, tariff(), Thresholds()).recommendation
    chosen = np.array(
        [
            names.index((kind, size)) if kind else installed
            for kind, size, installed in zip(
                base["recommended_type"], base["recommended_size_in"], sites.meter_index,
                strict=True,
            )
        ]
    )  # fmt: skip
    varied = sensitivity(block, posterior, sites, meters, tariff(), Thresholds(), chosen=chosen)
    changed = base.filter(pl.col("action") == "change", pl.col("verdict") != "undersized")
    assert changed.height > 10
    wide = varied.pivot("scenario", index="account_id", values="net_benefit_usd_per_year")
    return wide.join(changed, on="account_id")


def test_as_assumed_is_the_recommendation(rows: pl.DataFrame) -> None:
    np.testing.assert_allclose(rows["as assumed"], rows["net_benefit_usd_per_year"], atol=0.05)


@pytest.mark.parametrize(
    ("better", "worse"),
    [
        ("rates 20 % higher", "rates 20 % lower"),
        (
            "purchase and installation 25 % cheaper",
            "purchase and installation 25 % dearer",
        ),
        ("discount rate 2 points lower", "discount rate 2 points higher"),
        ("new meter registers 1 point more", "new meter registers 1 point less"),
    ],
)
def test_each_scenario_moves_the_right_way(rows: pl.DataFrame, better: str, worse: str) -> None:
    assert (rows[better] > rows["as assumed"]).all()
    assert (rows[worse] < rows["as assumed"]).all()


def test_rates_move_the_revenue_in_proportion(rows: pl.DataFrame) -> None:
    """HAND: 20 % on all rates is 20 % of the revenue gain."""
    step = rows["rates 20 % higher"] - rows["as assumed"]
    np.testing.assert_allclose(step, 0.2 * rows["revenue_gain_usd_per_year"], atol=0.1)


def test_scenarios_have_names_of_their_own() -> None:
    names = [s.name for s in SCENARIOS]
    assert len(set(names)) == len(names)
    assert SCENARIOS[0] == Scenario("as assumed")
