"""Lines that may carry fire flow are never changed before the record says so.

Sizes and steps are common practice (`fire_line_*` of the thresholds), counted by hand in the
trade's sizes: 5/8, 3/4, 1, 1 1/2, 2, 3, 4, 6, 8, 10, 12 in.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from rightsize.errors import ContractError
from rightsize.recommend.choose import Decision, decide
from rightsize.recommend.rules.fire_gate import SERVICE_SIZES_IN, is_fire_unverified
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, site_block, tariff

LIMITS = Thresholds()
SIZES = st.sampled_from(SERVICE_SIZES_IN)


def held(
    line_in: float | None,
    meter_in: float,
    recorded: str | None = None,
    kind: str = "domestic",
    limits: Thresholds = LIMITS,
) -> bool:
    """Whether the gate holds one account."""
    sites = site_block(
        np.zeros(1, dtype=np.int64),
        service_line_in=np.array([np.nan if line_in is None else line_in]),
        service_kind=(kind,),
        fire_arrangement=(recorded,),
    )
    [result] = is_fire_unverified(
        sites,
        np.array([meter_in]),
        fire_line_min_in=limits.fire_line_min_in,
        fire_line_sizes_above_meter=limits.fire_line_sizes_above_meter,
        fire_line_step_min_in=limits.fire_line_step_min_in,
    )
    return bool(result)


@pytest.mark.parametrize(
    ("line_in", "meter_in", "is_held"),
    [
        (4.0, 3.0, True),  # 4 in and more
        (3.0, 2.0, False),  # one size above, below 4 in
        (2.0, 1.0, True),  # 1, 1 1/2, 2: two sizes
        (1.5, 1.0, False),
        (1.5, 0.75, True),
        (2.5, 1.5, False),  # 2 1/2 in is no size of its own
        (1.0, 0.625, False),  # two sizes, but the usual small service
        (12.0, 8.0, True),
        (None, 3.0, False),  # an unknown line is as large as its meter
        (None, 4.0, True),
        (2.0, 4.0, True),  # a meter larger than its recorded line: the record is wrong
    ],
)
def test_the_gate_holds_by_size_of_line_and_meter(
    line_in: float | None, meter_in: float, is_held: bool
) -> None:
    assert held(line_in, meter_in) is is_held


@pytest.mark.parametrize("recorded", ["separate", "combined", "none"])
def test_a_recorded_arrangement_opens_the_gate(recorded: str) -> None:
    assert held(12.0, 8.0)
    assert not held(12.0, 8.0, recorded)


def test_an_unknown_kind_alone_holds_nothing() -> None:
    assert not held(1.0, 0.75, kind="unknown")
    assert not held(None, 2.0, kind="unknown")
    assert held(4.0, 3.0, kind="unknown")


def test_the_limits_are_thresholds() -> None:
    assert not held(4.0, 3.0, limits=Thresholds(fire_line_min_in=6))
    assert not held(2.0, 1.0, limits=Thresholds(fire_line_sizes_above_meter=3))
    assert held(1.0, 0.625, limits=Thresholds(fire_line_step_min_in=1))
    assert Thresholds.model_validate({"fire_line_min_mm": 100}).fire_line_min_in == 4.0


@given(meter_in=SIZES, line_in=SIZES, more_in=SIZES)
def test_a_larger_line_is_never_let_through_where_a_smaller_is_held(
    meter_in: float, line_in: float, more_in: float
) -> None:
    small, large = sorted((line_in, more_in))
    assert held(small, meter_in) <= held(large, meter_in)


def test_an_arrangement_that_is_none_of_ours_is_refused() -> None:
    sites = site_block(np.zeros(1, dtype=np.int64), fire_arrangement=("sprinkled",))
    with pytest.raises(ContractError, match="unknown fire_arrangement 'sprinkled'"):
        sites.check()


def judged(recorded: str | None) -> Decision:
    """700 accounts, every other on a 12 in line."""
    block, posterior, sites, meters = fleet(700)
    line_in = np.where(np.arange(700) % 2 == 0, 12.0, np.nan)
    sites = replace(sites, service_line_in=line_in, fire_arrangement=(recorded,) * 700)
    return decide(block, posterior, sites, meters, tariff(), LIMITS, units="us")


def test_a_held_account_is_reviewed_and_never_changed_and_says_why() -> None:
    free, gated = judged("none"), judged(None)
    on_line = pl.int_range(pl.len()) % 2 == 0
    before = free.recommendation.filter(on_line)
    now = gated.recommendation.filter(on_line)
    assert {"change", "keep"} <= set(before["action"])
    assert now["verdict"].to_list() == before["verdict"].to_list()
    assessed = now.filter(pl.col("verdict") != "not_assessed")
    assert set(assessed["action"]) == {"refer"}
    assert assessed["reason"].str.contains("no fire arrangement is recorded").all()
    found = gated.finding.filter(pl.col("code") == "verify_fire_service")
    assert set(assessed["account_id"]) <= set(found["account_id"])
    assert "verify_fire_service" not in set(free.finding["code"])
    assert not before["reason"].str.contains("fire arrangement").any()


def test_accounts_without_a_large_line_or_meter_are_as_before() -> None:
    free, gated = judged("none"), judged(None)
    plain = (pl.int_range(pl.len()) % 2 == 1) & (pl.col("installed_size_in") < 4)
    assert_frame_equal(gated.recommendation.filter(plain), free.recommendation.filter(plain))


def test_the_finding_says_line_meter_and_kind() -> None:
    row = (
        judged(None).finding.filter(pl.col("code") == "verify_fire_service").row(0, named=True)
    )
    assert row["message"].startswith(
        "verify the fire service before any change: the service line is 12 in, the meter is a"
    )
    assert row["message"].endswith("domestic service, and no fire arrangement is recorded")
    evidence = json.loads(row["evidence"])
    assert evidence["service_line_in"] == 12.0
    assert evidence["service_kind"] == "domestic"
