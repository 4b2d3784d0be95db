"""A larger meter needs evidence, and its cost holds the tap, the line and the charge."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rightsize.contracts.site_record import SiteRecord
from rightsize.errors import ContractError
from rightsize.meters.catalogue import Meter
from rightsize.recommend.choose import Decision
from rightsize.recommend.rules.upsize_evidence import RECORDED
from rightsize.recommend.site_costs import SiteCosts, site_costs
from rightsize.settings import UPSIZE_EVIDENCE, Thresholds
from tests.unit.recommend.one_account import NO_WORK, TURBINE, decided, lost_by, row, sold

LARGER = sold("turbine", 3.0, 435, 1000)


def overloaded(**facts: Any) -> Decision:
    """A peak of 250 gpm through a 2 in turbine of 190 gpm."""
    return decided([LARGER], [[0.0] * 10], peak_gpm=250.0, **facts)


def recorded(evidence: str | None) -> SiteRecord:
    return replace(SiteRecord.blank(1), upsize_evidence=(evidence,))


def costs_of(meters: tuple[Meter, ...], limits: Thresholds) -> SiteCosts:
    """Costs of the site of one account behind the first meter; nothing is recorded."""
    at_first, blank = np.zeros(1, dtype=np.int64), SiteRecord.blank(1)
    return site_costs(meters, at_first, np.array([np.nan]), blank, limits)


def test_an_inferred_peak_alone_is_logged_first() -> None:
    told = row(overloaded())
    assert (told["verdict"], told["action"]) == ("undersized", "log_first")
    assert told["recommended_size_in"] == 3.0
    assert "nothing on record confirms it" in told["reason"]
    assert "log the site first" in told["reason"]


@pytest.mark.parametrize("evidence", UPSIZE_EVIDENCE)
def test_what_is_on_record_lets_the_meter_be_changed(evidence: str) -> None:
    told = row(overloaded(record=recorded(evidence)))
    assert (told["verdict"], told["action"]) == ("undersized", "change")
    assert "nothing on record" not in told["reason"]
    assert f"confirmed by {RECORDED[evidence]}" in told["reason"]


@pytest.mark.parametrize(
    ("block", "action"),
    [
        ({"peak_register_gpm": np.array([190.1])}, "change"),
        ({"peak_register_gpm": np.array([190.0])}, "log_first"),
        ({"max_interval_gpm": np.array([190.1])}, "change"),
        ({"max_interval_gpm": np.array([190.0])}, "log_first"),
    ],
)
def test_the_register_and_the_reads_may_show_it(block: dict[str, Any], action: str) -> None:
    told = row(overloaded(block=block))
    assert told["action"] == action
    assert ("confirmed by" in told["reason"]) == (action == "change")


@pytest.mark.parametrize(("interval_min", "action"), [(60.0, "change"), (1440.0, "log_first")])
def test_sustained_flow_is_read_not_inferred(interval_min: float, action: str) -> None:
    """120 gpm for the hour, above the continuous rating of 95: hourly reads show it."""
    told = overloaded(sustained_gpm=120.0, block={"interval_min": np.array([interval_min])})
    assert row(told)["action"] == action


def test_a_utility_may_change_without_evidence() -> None:
    told = overloaded(limits={"upsize_needs_evidence": False})
    assert row(told)["action"] == "change"


def test_a_larger_meter_on_a_recorded_line_that_carries_it_costs_no_line() -> None:
    told = row(overloaded(service_line_in=np.array([3.0])))
    assert told["change_cost_usd"] == 1000
    assert told["possible_cost_usd"] == 0


def test_a_meter_larger_than_its_line_bears_tap_and_line_where_it_is_needed() -> None:
    """HAND: 3 in at 3,000 USD an inch, beside the meter for 1,000."""
    told = row(overloaded(service_line_in=np.array([2.0])))
    assert told["change_cost_usd"] == pytest.approx(10_000)
    fits = decided([LARGER], [[0.0] * 10], service_line_in=np.array([2.0]))
    assert "service_line" in str(lost_by(fits, 1))


def test_a_blank_line_is_unknown_not_unlimited() -> None:
    """HAND: half of 9,000 USD is expected; the range holds 0 and 9,000 over 20 years."""
    told = row(overloaded())
    assert told["possible_cost_usd"] == pytest.approx(9000)
    assert told["change_cost_usd"] == pytest.approx(1000 + 4500)
    assert told["net_benefit_usd_per_year"] == pytest.approx(-5500 / 20, abs=0.01)
    assert told["net_benefit_low_usd_per_year"] == pytest.approx(-10_000 / 20, abs=0.01)
    assert told["net_benefit_high_usd_per_year"] == pytest.approx(-1000 / 20, abs=0.01)
    assert "a new tap and line may cost $9,000, of which the expected part" in told["reason"]
    assert "is in the cost of $5,500" in told["reason"]


def test_a_capacity_charge_is_by_meter_equivalents() -> None:
    """HAND: 435 less 190 gpm is 12.25 meters of 20 gpm, at 2,000 USD each."""
    limits = {"capacity_charge_usd_per_equivalent": 2000.0}
    told = row(overloaded(service_line_in=np.array([3.0]), limits=limits))
    assert told["change_cost_usd"] == pytest.approx(1000 + 24_500)


def test_a_smaller_meter_bears_none_of_it() -> None:
    meters = (TURBINE, sold("displacement", 1.5, 100, 400))
    limits = Thresholds.model_validate(NO_WORK | {"capacity_charge_usd_per_equivalent": 2000})
    costs = costs_of(meters, limits)
    assert costs.known_usd.tolist() == [[0.0, 0.0]]
    assert costs.possible_usd.tolist() == [[0.0, 0.0]]


@pytest.mark.parametrize("samples", [10, 64])
@pytest.mark.parametrize("odds", [0.0, 0.3, 0.5, 1.0])
def test_a_possible_cost_falls_on_its_share_of_the_samples(samples: int, odds: float) -> None:
    limits = Thresholds.model_validate(NO_WORK | {"unknown_line_odds": odds})
    costs = costs_of((TURBINE, LARGER), limits)
    share = costs.borne(samples)[:, 0].mean()
    assert share == pytest.approx(odds, abs=0.5 / samples + 1e-9)
    beyond = costs.beyond_expected_usd(samples)
    assert beyond is not None
    np.testing.assert_allclose(beyond.mean(axis=0), 0, atol=1e-9)
    np.testing.assert_allclose(costs.expected_usd(samples)[0, 1], share * 9000)


def test_an_unknown_word_is_refused() -> None:
    with pytest.raises(ContractError, match="upsize_evidence 'hearsay'"):
        overloaded(record=recorded("hearsay"))
