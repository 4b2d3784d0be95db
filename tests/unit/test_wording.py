"""Sentences name sizes, flows and volumes in the units of the utility."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.sweep.summary import _odds as summary_odds
from rightsize.evidence.quantity import odds
from rightsize.wording import MOST_CERTAIN, Wording, probability_figure
from tests.unit.evidence.sites import meter


def said(expression: pl.Expr) -> list[str]:
    return pl.DataFrame({"x": [0.0, 18.24, 250.4]}).select(expression).to_series().to_list()


def test_us_figures_keep_three_digits_and_whole_numbers_from_a_hundred_on():
    assert said(Wording("us").flow(pl.col("x"))) == ["0 gpm", "18.2 gpm", "250 gpm"]
    assert said(Wording("us").volume(pl.col("x"))) == ["0 gal", "18.2 gal", "250 gal"]


def test_metric_figures_are_converted_before_they_are_rounded():
    """ANALYTIC: 1 gpm is 0.227124707 m3/h, 1 gal is 3.785411784 L."""
    assert said(Wording("metric").flow(pl.col("x"))) == ["0 m³/h", "4.14 m³/h", "56.9 m³/h"]
    assert said(Wording("metric").volume(pl.col("x"))) == ["0 m³", "0.069 m³", "0.948 m³"]


@pytest.mark.parametrize(
    ("size_in", "us", "metric"),
    [
        (0.625, "a 5/8 in turbine", "a 15 mm turbine"),
        (3.0, "a 3 in turbine", "an 80 mm turbine"),
        (8.0, "an 8 in turbine", "a 200 mm turbine"),
    ],
)
def test_a_meter_is_named_by_its_nominal_size(size_in, us, metric):
    """STANDARD: DN 15, 80 and 200 for 5/8 (common practice), 3 and 8 in (ISO 6708)."""
    named = meter("turbine", size_in, 1.0, 100.0)
    assert Wording("us").named(named) == us
    assert Wording("metric").named(named) == metric


@pytest.mark.parametrize(
    ("share", "said"),
    [(1.0, 0.99), (0.991, 0.99), (0.984, 0.98), (0.5, 0.5), (0.016, 0.02), (0.0, 0.01)],
)
def test_a_probability_is_said_with_two_decimals_and_never_certain(
    share: float, said: float
) -> None:
    assert probability_figure(share) == said


@given(st.floats(0, 1))
def test_every_place_says_one_probability_alike(share: float) -> None:
    """The law: pages, summary, list and reasons round alike and stay within the bounds."""
    figure = probability_figure(share)
    assert figure + 1e-9 >= 1 - MOST_CERTAIN
    assert figure <= MOST_CERTAIN
    assert abs(figure - share) <= 0.01 + 1e-9
    assert odds(share) == f"{round(100 * figure)} in 100"
    assert summary_odds(share) == f"{figure:.2f}"
