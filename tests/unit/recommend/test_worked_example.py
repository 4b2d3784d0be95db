"""The handbook's page says what the tool says, and the tool says what a hand works out."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest

from pipelines.handbook.choice import PAGE, with_parts
from rightsize.recommend.rules.meter_rules import CONSTRAINTS
from rightsize.recommend.worked_example import worked_example

CENTS_USD = 0.05  # draws are held in single precision


def test_the_page_is_written_from_the_tool() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == with_parts(page), "write it anew: python -m pipelines.handbook.choice"


def test_the_page_names_every_rule() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert [name for name in CONSTRAINTS if f"`{name}`" not in page] == []


def test_the_example_by_hand() -> None:
    """HAND: 8.60 USD/kgal on .98 of 1.0, 1.1 and 1.3 Mgal less 0.9 Mgal, by .2, .5 and .3."""
    row = worked_example().decision.recommendation.row(0, named=True)
    gains = np.array([0.98 * actual - 0.9 for actual in (1.0, 1.1, 1.3)]) * 8600
    expected = float(np.dot(gains, [0.2, 0.5, 0.3]))
    cost = 750 + 500 + 40 * 3.0  # the meter, its installation, reducers and spool of 3 in
    level = -float(npf.pmt(0.04, 20, cost))
    charge = (150 - 74) * 12
    net = expected - charge - level + (60 - 15)
    assert row["recommended_type"] == "displacement"
    assert row["recommended_size_in"] == 2.0
    assert row["revenue_gain_usd_per_year"] == pytest.approx(expected, abs=CENTS_USD)
    assert row["net_benefit_usd_per_year"] == pytest.approx(net, abs=CENTS_USD)
    assert row["odds_of_benefit"] == pytest.approx(0.8)
    assert row["net_present_value_usd"] == pytest.approx(
        float(npf.npv(0.04, [0.0] + [net] * 20)), abs=1.0
    )
    assert row["payback_years"] == pytest.approx(cost / (expected - charge + 45), rel=1e-4)


def test_the_smaller_meter_falls_to_the_third_story() -> None:
    """HAND: a 110 gpm peak in 3 samples of 10 leaves odds of .7 under a SMOC of 100 gpm."""
    rows = worked_example().decision.candidate
    small = rows.row(1, named=True)
    assert small["odds_of_fit"] == pytest.approx(0.7)
    assert small["rejected_because"] == "peak_over_smoc, peak_over_design_share, head_loss"


def test_the_assembly_by_hand() -> None:
    """HAND: 82.5 of 160 gpm is 3.99 psi, reducers from 3 in 0.16 psi, double check 5 psi."""
    row = worked_example().decision.recommendation.row(0, named=True)
    head = 0.702 * 0.825**2
    beta = (2 / 3) ** 2
    reducers = 0.2588 * (0.8 * (1 - beta) + 2.6 * (1 - beta) ** 2)
    expected = 15 * (82.5 / 160) ** 2 + 5 + reducers * head
    assert row["assembly_loss_at_peak_psi"] == pytest.approx(expected, rel=1e-3)


def test_the_larger_and_the_same_fall_to_their_rules() -> None:
    lost = worked_example().decision.candidate["rejected_because"].to_list()
    assert lost[4] == "replacement_by_age"
    assert lost[5] == "service_line, larger_without_need"
