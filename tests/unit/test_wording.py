"""Sentences name sizes, flows and volumes in the units of the utility."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.sweep.summary import _odds as summary_odds
from rightsize.evidence.quantity import odds
from rightsize.units import UnitSystem
from rightsize.wording import (
    MOST_CERTAIN,
    Wording,
    figure,
    probability_figure,
    significant,
    with_article,
)
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
    ("units", "big", "loss"),
    [("us", "1,234,568", "-$1,235"), ("metric", "1\u202f234\u202f568", "-$1\u202f235")],
)
def test_thousands_stand_apart_as_the_country_writes_them(
    units: UnitSystem, big: str, loss: str
) -> None:
    """STANDARD: commas are US practice; the thin space is the SI Brochure's, 5.4.4 (from
    memory)."""
    said = Wording(units)
    frame = pl.DataFrame({"x": [1234567.8, -1234.6, 999.4, -0.4]})
    figures, dollars = frame.select(
        said.figure(pl.col("x")).alias("f"), said.money(pl.col("x")).alias("m")
    )
    assert figures.to_list() == [big, loss.replace("$", ""), "999", "-0.4"]
    assert dollars.to_list() == [f"${big}", loss, "$999", "$0"]


@given(st.floats(-1e12, 1e12))
def test_no_figure_is_in_powers_of_ten_and_a_column_is_written_as_a_number(x: float) -> None:
    """The law: sentences of tables and of single findings write one figure alike."""
    column = pl.select(figure(pl.lit(x, dtype=pl.Float64))).item()
    assert "e" not in column
    assert "e" not in significant(x)
    assert float(column.replace(",", "")) == pytest.approx(x, rel=6e-3, abs=6e-7)
    if abs(x) >= 1e-3:
        written = float(significant(x).replace(",", ""))
        assert float(column.replace(",", "")) == pytest.approx(written, rel=1.1e-2)


def test_a_rating_of_a_large_meter_is_no_power_of_ten() -> None:
    """ANALYTIC: 1 m3/h is 4.402868 gpm."""
    assert Wording("us").flow_text(1000.0) == "1,000"
    assert Wording("us").flow_text(2800.0) == "2,800"
    assert Wording("metric").flow_text(10_000.0) == "2\u202f271"


def test_a_meter_is_named_with_the_article_that_is_spoken() -> None:
    assert with_article("8 in turbine") == "an 8 in turbine"
    assert with_article("18 in propeller") == "an 18 in propeller"
    assert with_article("4 in compound") == "a 4 in compound"


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
    assert summary_odds(share) == f"{100 * figure:.0f} %"
