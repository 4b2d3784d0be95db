"""The handbook's page says what the tool says, and the tool says what a hand works out."""

from __future__ import annotations

import numpy as np
import numpy_financial as npf
import pytest

from pipelines.handbook.choice import PAGE, with_parts
from rightsize.recommend.leak_persistence import shared_quantiles
from rightsize.recommend.rules.meter_rules import CONSTRAINTS
from rightsize.recommend.worked_example import worked_example

CENTS_USD = 0.05  # draws are held in single precision


def test_the_page_is_written_from_the_tool() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page == with_parts(page), "write it anew: python -m pipelines.handbook.choice"


def test_the_page_names_every_rule() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert [name for name in CONSTRAINTS if f"`{name}`" not in page] == []


_KINDS = ("displacement", "turbine")


def wear_by_hand() -> float:
    """HAND: 0.9 Mgal are 188 h at 80 gpm and 69 h at 217.5 gpm; points lost a year by type.

    The old meter is replaced in kind after half of its 15 years; each sample has its own part
    of the middle rates (0 to 2).
    """
    discount = 1.04 ** -np.arange(1.0, 21.0)
    middle = np.arange(20) + 0.5
    since = np.where(middle < 7.5, middle, middle - 7.5)
    new_years, old_years = (float(discount @ age / discount.sum()) for age in (middle, since))
    part = {
        kind: 2 * shared_quantiles(f"wear {kind}", 10) for kind in ("displacement", "turbine")
    }
    new_points = 0.1 + 0.3 * 900 / (80 * 60)
    old_points = 0.05 + 0.05 * 900 / (217.5 * 60)
    registered = 0.98 * np.repeat([1.0, 1.1, 1.3], [2, 5, 3])
    lost = 86 * registered * new_points * new_years * part["displacement"]
    saved = 86 * 0.9 * old_points * old_years * part["turbine"]
    return float(np.mean(lost - saved))


def repair_by_hand() -> float:
    """HAND: 20,000 gal at 8.60 USD/kgal, month by month, of which less and less runs.

    0.8, 0.55 and 0.35 after 3, 12 and 36 months in a straight line, in each sample more or less
    by up to 0.25, never above 1 nor rising.
    """
    lost = []
    for part in shared_quantiles("leak repair", 10):
        runs = [1.0]
        for month in range(1, 241):
            middle = float(np.interp(month, (0, 3, 12, 36), (1, 0.8, 0.55, 0.35)))
            moved = middle + min(month / 3, 1) * 0.25 * (2 * part - 1)
            runs.append(min(runs[-1], max(0.0, moved)))
        years = [
            sum(runs[m] + runs[m + 1] for m in range(12 * y, 12 * y + 12)) / 24
            for y in range(20)
        ]
        level = float(npf.pmt(0.04, 20, -npf.npv(0.04, [0.0, *years])))
        lost.append(172 * (1 - level))
    return float(np.mean(lost))


def test_the_example_by_hand() -> None:
    """HAND: 8.60 USD/kgal on .98 of 1.0, 1.1 and 1.3 Mgal less 0.9 Mgal, by .2, .5 and .3."""
    row = worked_example().decision.recommendation.row(0, named=True)
    gains = np.array([0.98 * actual - 0.9 for actual in (1.0, 1.1, 1.3)]) * 8600
    expected = float(np.dot(gains, [0.2, 0.5, 0.3]))
    cost = 750 + 500 + 40 * 3.0  # the meter, its installation, reducers and spool of 3 in
    level = -float(npf.pmt(0.04, 20, cost))
    charge = (150 - 74) * 12
    net = expected - charge - level + (60 - 15) - wear_by_hand() - repair_by_hand()
    assert row["recommended_type"] == "displacement"
    assert row["recommended_size_in"] == 2.0
    assert row["revenue_gain_usd_per_year"] == pytest.approx(expected, abs=CENTS_USD)
    assert row["steady_gain_usd_per_year"] == pytest.approx(172, abs=CENTS_USD)
    assert row["leak_repair_usd_per_year"] == pytest.approx(-repair_by_hand(), abs=CENTS_USD)
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
