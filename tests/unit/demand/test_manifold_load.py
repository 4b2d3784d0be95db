"""Meters side by side are judged on their summed flow: by hand, and both ways at each limit."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.demand.manifold_load import (
    FEWEST_HOURS,
    Manifold,
    manifold_findings,
    manifold_load,
)

TWINS = Manifold("west", "A", ("M1", "M2"), (160.0, 160.0), (80.0, 80.0))  # 2 in, AWWA C700
HOURS = 1000


def flows(hour_gpm, largest_gpm=None, account="A"):
    """Hours of a summed flow and, where one is given, a read of 15 min that is the largest."""
    hours = np.broadcast_to(np.asarray(hour_gpm, dtype=float), (HOURS,))
    reads = [] if largest_gpm is None else [largest_gpm]
    return pl.DataFrame(
        {
            "account_id": account,
            "group": "west",
            "interval_min": [60.0] * HOURS + [15.0] * len(reads),
            "flow_gpm": np.append(hours, reads),
        }
    )


def load(flow, share=0.9):
    return manifold_load(TWINS, flow, capacity_share=share)


def told(flow, *groups, units="us"):
    return manifold_findings(groups or [TWINS], flow, capacity_share=0.9, units=units)


@pytest.mark.parametrize(
    ("hour_gpm", "largest_gpm", "is_over"),
    [(144.0, 288.0, False), (144.1, 200.0, True), (100.0, 288.1, True)],
)
def test_the_sum_is_held_against_a_share_of_the_capacities(hour_gpm, largest_gpm, is_over):
    """HAND: 0.9 x 2 x 160 = 288 gpm and 0.9 x 2 x 80 = 144 gpm."""
    found = load(flows(hour_gpm, largest_gpm))
    assert (found.smoc_gpm, found.continuous_gpm) == pytest.approx((288, 144))
    assert (found.largest_gpm, found.sustained_gpm) == pytest.approx((largest_gpm, hour_gpm))
    assert (found.interval_min, found.hour_count) == (15, HOURS)
    assert found.is_over == is_over


def test_as_many_meters_are_needed_as_carry_the_sum():
    """HAND: one of them carries 0.9 x 80 = 72 gpm sustained, both 144 gpm."""
    assert load(flows(140.0)).needed_count == 2
    assert load(flows(72.0)).needed_count == 1
    assert load(flows(160.0)).needed_count == 0


def test_a_few_hours_of_high_flow_are_no_sustained_flow():
    """0.5 % of the time: 5 hours of 1,000 may be above."""
    some = np.full(HOURS, 50.0)
    some[:4] = 150.0
    assert load(flows(some)).sustained_gpm == 50
    some[:8] = 150.0
    assert load(flows(some)).sustained_gpm == 150


def test_meters_that_hardly_report_together_are_not_summed():
    few = flows(50.0).head(FEWEST_HOURS - 1)
    assert load(few) is None
    assert load(flows(50.0).head(FEWEST_HOURS)) is not None
    one, two = told(few)
    assert (one.code, one.meter_id, two.meter_id) == ("manifold", "M1", "M2")
    assert "hardly ever report together" in one.message


@pytest.mark.parametrize(
    ("hour_gpm", "code", "text"),
    [
        (150.0, "manifold_overload", "too small together"),
        (120.0, "manifold", "1,000 hours in which all report"),
        (20.0, "manifold", "the 1 largest would carry that"),
    ],
)
def test_every_meter_of_the_group_is_told(hour_gpm, code, text):
    found = told(flows(hour_gpm))
    assert [(f.account_id, f.meter_id) for f in found] == [("A", "M1"), ("A", "M2")]
    assert {f.code for f in found} == {code}
    assert all(text in f.message for f in found)
    assert found[0].evidence["sustained_gpm"] == hour_gpm


def test_groups_of_one_name_at_two_accounts_are_two():
    other = Manifold("west", "B", ("M3", "M4"), (160.0, 160.0), (80.0, 80.0))
    both = pl.concat([flows(150.0), flows(50.0, account="B")])
    codes = [f.code for f in told(both, TWINS, other)]
    assert codes == ["manifold_overload"] * 2 + ["manifold"] * 2


def test_messages_are_in_metric_units():
    """150 gpm is 34.07 m3/h."""
    assert "34.1 m³/h sustained" in told(flows(150.0), units="metric")[0].message


@given(gpm=st.floats(1, 400), more=st.floats(0, 100), share=st.floats(0.3, 1))
def test_more_flow_or_less_capacity_never_ends_an_overload(gpm, more, share):
    """LAW: monotone in flow and in the share of capacities."""
    if load(flows(gpm), share).is_over:
        assert load(flows(gpm + more), share).is_over
        assert load(flows(gpm), share * 0.9).is_over
