"""The year's programme: optimum against enumeration, limits, rankings, budget, bad input."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.errors import ConfigError, ContractError
from rightsize.recommend.program.choose_program import choose_program
from rightsize.recommend.program.options import (
    CREW_HOURS_BY_SIZE,
    Limits,
    Lots,
    as_options,
    crew_hours,
)

CENT_USD = 0.01  # values are sums of cents in floating point


def options_frame(seed: int, count: int, *, per_meter: int = 2) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    cost = rng.integers(3, 40, count) * 50.0
    benefit = (cost * rng.uniform(-0.05, 0.6, count)).round(2)
    return pl.DataFrame(
        {
            "account_id": [f"A{k // per_meter}" for k in range(count)],
            "meter_id": [f"M{k // per_meter}" for k in range(count)],
            "meter_type": ["turbine"] * count,
            "size_in": rng.choice([0.75, 1.5, 3.0, 6.0], count),
            "change_cost_usd": cost,
            "net_benefit_usd_per_year": benefit,
            "net_benefit_low_usd_per_year": benefit - rng.uniform(0, 100, count).round(2),
            "net_present_value_usd": benefit * 11.0,
            "area": [f"zone {k // per_meter % 3}" for k in range(count)],
        }
    )


def best_by_enumeration(frame: pl.DataFrame, limits: Limits) -> float:
    """Value of the best of all subsets of the options within the limits [USD]."""
    options = as_options(frame, certainty_share=0.0)
    best = 0.0
    for size in range(1, options.size + 1):
        for rows in itertools.combinations(range(options.size), size):
            chosen = np.array(rows)
            if options.keeps(chosen, limits):
                best = max(best, options.value_of(chosen, limits.lots))
    return best


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    budget_usd=st.sampled_from([0.0, 400.0, 1500.0, 3000.0, 20_000.0]),
    crews=st.sampled_from([None, 1, 2]),
    lots=st.sampled_from(
        [None, Lots(200.0), Lots(100.0, 2), Lots(0.0, 1, 1), Lots(50.0, 2, 2)]
    ),
)
def test_optimum_equals_enumeration(
    seed: int, budget_usd: float, crews: int | None, lots: Lots | None
) -> None:
    """ANALYTIC: every subset of up to ten options tried."""
    frame = options_frame(seed, 10)
    hours = np.inf if crews is None else crews * 6.0
    limits = Limits(budget_usd, hours, lots or Lots())
    program = choose_program(
        frame,
        budget_usd=budget_usd,
        crews=crews,
        crew_hours_per_year=6.0,
        lots=lots,
        relative_gap=0.0,
        with_curve=False,
    )
    best = best_by_enumeration(frame, limits)
    assert program.net_present_value_usd == pytest.approx(best, abs=CENT_USD)
    assert program.best_possible_usd == pytest.approx(best, abs=CENT_USD)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), budget_usd=st.floats(0, 8000), more_usd=st.floats(0, 4000))
def test_more_budget_never_lowers_the_benefit(
    seed: int, budget_usd: float, more_usd: float
) -> None:
    frame = options_frame(seed, 24)
    less, more = (
        choose_program(frame, budget_usd=b, relative_gap=0.0, with_curve=False)
        for b in (budget_usd, budget_usd + more_usd)
    )
    assert more.net_present_value_usd >= less.net_present_value_usd - CENT_USD


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), budget_usd=st.floats(100, 8000))
def test_limits_hold_and_no_ranking_beats_the_programme(seed: int, budget_usd: float) -> None:
    frame = options_frame(seed, 60)
    lots = Lots(80.0, 2)
    program = choose_program(
        frame,
        budget_usd=budget_usd,
        crews=2,
        crew_hours_per_year=20.0,
        lots=lots,
        with_curve=False,
    )
    assert program.cost_usd <= budget_usd
    assert program.crew_hours <= 40.0
    assert program.selected["meter_id"].is_unique().all()
    assert (program.selected.group_by("area").len()["len"] >= 2).all()
    assert program.ranking["programme_gain_usd"].min() >= -CENT_USD
    assert program.ranking["cost_usd"].max() <= budget_usd


def test_the_programme_beats_every_ranking_where_the_budget_binds() -> None:
    """HAND: 100 USD; one option of 60 for 66, two of 50 for 50 each: the two bring 100.

    By return 66 / 60 comes first and leaves 40 USD, which buy nothing.
    """
    frame = pl.DataFrame(
        {
            "account_id": ["A", "B", "C"], "meter_id": ["a", "b", "c"],
            "meter_type": ["turbine"] * 3, "size_in": [2.0] * 3,
            "change_cost_usd": [60.0, 50.0, 50.0],
            "net_benefit_usd_per_year": [6.6, 5.0, 5.0],
            "net_present_value_usd": [66.0, 50.0, 50.0],
        }
    )  # fmt: skip
    program = choose_program(frame, budget_usd=100, relative_gap=0.0, with_curve=False)
    assert program.net_present_value_usd == pytest.approx(100.0)
    assert set(program.selected["account_id"]) == {"B", "C"}
    assert (program.ranking["programme_gain_usd"] >= 34 - CENT_USD).all()


def test_order_of_options_does_not_matter() -> None:
    frame = options_frame(5, 80)
    values = {
        round(
            choose_program(
                frame.sample(fraction=1, shuffle=True, seed=s),
                budget_usd=4000,
                relative_gap=0.0,
                with_curve=False,
            ).net_present_value_usd,
            2,
        )
        for s in range(3)
    }
    assert len(values) == 1


def test_curve_rises_and_each_dollar_brings_less() -> None:
    curve = choose_program(options_frame(2, 200), budget_usd=10_000).curve
    value = curve["net_present_value_usd"].to_numpy()
    marginal = curve["marginal_value_usd_per_usd"].to_numpy()
    assert np.all(np.diff(value) >= 0)
    assert np.all(np.diff(marginal) <= 1e-9)
    assert np.all(marginal >= 0)


def test_certainty_prefers_the_sure_option() -> None:
    """HAND: expected 100 against 90 a year, low ends 10 against 80: the second is surer."""
    frame = pl.DataFrame(
        {
            "account_id": ["A", "B"], "meter_id": ["a", "b"], "meter_type": ["turbine"] * 2,
            "size_in": [2.0] * 2, "change_cost_usd": [500.0, 500.0],
            "net_benefit_usd_per_year": [100.0, 90.0],
            "net_benefit_low_usd_per_year": [10.0, 80.0],
            "net_present_value_usd": [1000.0, 900.0],
        }
    )  # fmt: skip
    expected = choose_program(frame, budget_usd=500, with_curve=False)
    certain = choose_program(frame, budget_usd=500, certainty_share=1.0, with_curve=False)
    assert expected.selected["account_id"].to_list() == ["A"]
    assert certain.selected["account_id"].to_list() == ["B"]
    assert certain.net_present_value_usd == pytest.approx(800.0)


def test_nothing_to_choose_is_an_empty_programme() -> None:
    for frame in (options_frame(1, 6).head(0), options_frame(1, 6)):
        program = choose_program(frame, budget_usd=0.0)
        assert program.selected.height == 0
        assert program.cost_usd == 0
        assert program.gap_share == 0


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"budget_usd": -1.0}, r"budget must be \$0 or more, got -1"),
        ({"budget_usd": float("nan")}, r"budget must be \$0"),
        ({"crews": -2}, "crews must be 0 or more, got -2"),
        ({"crew_hours_per_year": 0.0}, "crew_hours_per_year must be above 0"),
        ({"certainty_share": 1.5}, "certainty_share must be 0 to 1, got 1.5"),
        ({"lots": Lots(-1.0)}, "lots need mobilise_usd of 0 or more"),
    ],
)
def test_bad_limits_are_refused(changes: dict[str, Any], text: str) -> None:
    with pytest.raises(ConfigError, match=text):
        choose_program(options_frame(1, 4), **({"budget_usd": 100.0} | changes))


def test_bad_options_are_refused() -> None:
    frame = options_frame(1, 4)
    with pytest.raises(ContractError, match="lack column change_cost_usd"):
        choose_program(frame.drop("change_cost_usd"), budget_usd=1.0)
    below = frame.with_columns(change_cost_usd=pl.lit(-5.0))
    with pytest.raises(ContractError, match=r"account A0 must be 0 or more, got -5\.0"):
        choose_program(below, budget_usd=1.0)


def test_hours_on_site_include_the_size_that_a_step_names():
    """HAND: 1 in takes 1.5 h, all above to 2 in 3 h, to 4 in 8 h, larger ones 16 h."""
    sizes = [0.625, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 12.0]
    frame = pl.DataFrame({"size_in": sizes}).select(crew_hours("size_in"))
    assert frame.to_series().to_list() == [1.5, 1.5, 3.0, 3.0, 8.0, 8.0, 16.0, 16.0]
    assert [limit for limit, _ in CREW_HOURS_BY_SIZE][:-1] == [1.0, 2.0, 4.0]
