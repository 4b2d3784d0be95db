"""No number that a person reads carries an exponent."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.commands.query_output import cell_text
from rightsize.units.plain_number import plain_number
from rightsize.wording import figure

ROOT = Path(__file__).resolve().parents[2]
EXPONENT = re.compile(r"\de[+-]?\d", re.IGNORECASE)
FLOATS = st.floats(-1e12, 1e12, allow_nan=False).filter(lambda v: v == 0 or abs(v) > 1e-9)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (9999.5, 4, "10000"), (2760.0, 3, "2760"), (200.0, 2, "200"), (190.0, 3, "190"),
        (0.00001, 3, "0.00001"), (1234567.0, 6, "1234567"), (0.625, 6, "0.625"),
        (1.5, 6, "1.5"), (-0.0, 3, "0"), (99.996, 4, "100"),
    ],
)  # fmt: skip
def test_a_number_is_said_plainly(value: float, digits: int, text: str) -> None:
    """HAND: the numbers that were printed as 1e+04, 2.76e+03 and 2e+02, and their like."""
    assert plain_number(value, digits) == text


@given(value=FLOATS, digits=st.integers(1, 8))
def test_a_plain_number_is_the_number_to_its_digits(value: float, digits: int) -> None:
    """LAW: no exponent, and never further off than half of the last digit shown."""
    text = plain_number(value, digits)
    assert not EXPONENT.search(text)
    assert float(text) == pytest.approx(value, rel=0.5000001 * 10 ** (1 - digits), abs=1e-300)


@given(value=FLOATS, name=st.sampled_from(["flow_gpm", "net_usd", "gain_pct", "factor"]))
def test_no_cell_of_an_answer_has_an_exponent(value: float, name: str) -> None:
    assert not EXPONENT.search(cell_text(name, value))


@given(value=FLOATS)
def test_no_figure_of_a_sentence_has_an_exponent(value: float) -> None:
    (text,) = pl.select(figure(pl.lit(value))).to_series().to_list()
    assert not EXPONENT.search(text)


def test_no_text_is_formatted_with_few_digits_and_an_exponent() -> None:
    """`.3g` turns 2760 into 2.76e+03: `plain_number` is there for it."""
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for folder in ("rightsize", "pipelines")
        for path in sorted((ROOT / folder).rglob("*.py"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if re.search(r"[:,+]\.\d[ge]\}", line)
    ]
    assert found == []
