"""Figures in messages show as many digits as tell something."""

from __future__ import annotations

import polars as pl
import pytest

from rightsize.demand.figures import shown


@pytest.mark.parametrize(
    ("figure", "decimals", "text"),
    [
        (18891.0, 1, "18891"),
        (10.4, 1, "10"),
        (9.96, 1, "10"),
        (3.14159, 1, "3.1"),
        (1.0, 4, "1"),
        (0.7481, 4, "0.7481"),
        (-25.3, 1, "-25"),
        (3e9, 1, "3000000000"),
    ],
)
def test_a_figure_is_told_without_idle_digits(figure: float, decimals: int, text: str) -> None:
    told = pl.DataFrame({"x": [figure]}).select(shown(pl.col("x"), decimals=decimals))
    assert told.item() == text
