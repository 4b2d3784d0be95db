"""Registration of a tested meter over its account's flows."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meter_tests.weighted import over_own_flows, over_stated_flows, with_factor
from rightsize.meters.curve import registration_ratio

SHIPPED = load_catalogue()
ROW = SHIPPED.row_of("turbine", 2)
METER = SHIPPED.meters[ROW]
FLOWS = (METER.min_test_gpm, METER.normal_min_gpm, METER.continuous_gpm)


def points(*ratios: float, name: str = "M-1") -> pl.DataFrame:
    frame = pl.DataFrame(
        {"meter_id": name, "meter_index": ROW, "flow_gpm": FLOWS[: len(ratios)],
         "ratio": ratios}
    )  # fmt: skip
    return with_factor(frame, SHIPPED.meters)


def bands(flow: list[float], share: list[float], name: str = "M-1") -> pl.DataFrame:
    return pl.DataFrame({"meter_id": name, "flow_gpm": flow, "volume_share": share})


@given(st.floats(0.3, 1.1), st.lists(st.floats(0.01, 300), min_size=1, max_size=20))
def test_a_meter_slow_alike_at_all_flows_is_as_slow_over_any_use(slow, flow) -> None:
    """ANALYTIC: with one factor everywhere the weighted ratio is that factor."""
    new = registration_ratio(np.array(FLOWS), METER)
    share = [1 / len(flow)] * len(flow)
    found = over_own_flows(points(*(slow * new)), bands(flow, share), SHIPPED.meters)
    tested, fresh = found["tested_weighted"].item(), found["new_weighted"].item()
    assert tested == pytest.approx(slow * fresh, rel=1e-9, abs=1e-12)


def test_between_test_flows_the_factor_is_linear_in_log_flow() -> None:
    # HAND: factor 0.8 at the normal minimum and 1.0 at the continuous rating; half way on the
    # log scale it is 0.9.
    new = registration_ratio(np.array(FLOWS), METER)
    middle = float(np.sqrt(FLOWS[1] * FLOWS[2]))
    found = over_own_flows(
        points(*(np.array([0.8, 0.8, 1.0]) * new)), bands([middle], [1.0]), SHIPPED.meters
    )
    there = registration_ratio(np.array([middle]), METER)[0]
    assert found["tested_weighted"].item() == pytest.approx(0.9 * there)


def test_what_no_such_meter_sees_is_not_seen_by_a_tested_one() -> None:
    below = METER.starting_gpm / 2
    found = over_own_flows(
        points(0.99, 0.99, 0.99), bands([below, FLOWS[2]], [0.5, 0.5]), SHIPPED.meters
    )
    assert found["tested_weighted"].item() < 0.51


def test_meters_are_kept_apart_whatever_their_order() -> None:
    both = pl.concat([points(0.9, 0.95, 0.97, name="B"), points(0.5, 0.6, 0.7, name="A")])
    use = pl.concat([bands([5.0, 50.0], [0.4, 0.6], "A"), bands([5.0, 50.0], [0.4, 0.6], "B")])
    found = over_own_flows(both, use, SHIPPED.meters)
    turned = over_own_flows(both.reverse(), use.reverse(), SHIPPED.meters)
    assert found.equals(turned)
    assert found["meter_id"].to_list() == ["A", "B"]
    assert found["tested_weighted"][0] < found["tested_weighted"][1]


# STANDARD READ: *Water Loss Control* Table 12.6 after AWWA M36: shares 10, 65 and 25 % at low,
# medium and high flow. CALC: 0.10 x 0.90 + 0.65 x 0.9654 + 0.25 x 1.01 = 0.97001.
def test_stated_shares_are_those_of_m36() -> None:
    found = over_stated_flows(points(0.90, 0.9654, 1.01))
    assert found["tested_weighted"].item() == pytest.approx(0.97001, abs=1e-6)


def test_a_single_flow_stands_for_all() -> None:
    assert over_stated_flows(points(0.9))["tested_weighted"].item() == pytest.approx(0.9)
