"""The handbook's page on meter tests says what the code does."""

from __future__ import annotations

import re

import pytest

from pipelines.handbook.meter_tests import PAGE, with_parts
from rightsize.meter_tests.due import REASONS
from rightsize.meter_tests.outcome import OUTCOMES

TEXT = PAGE.read_text(encoding="utf-8")


def test_the_page_is_the_written_one() -> None:
    assert with_parts(TEXT) == TEXT, "write it anew: python -m pipelines.handbook.meter_tests"


def test_a_page_without_a_place_is_refused() -> None:
    with pytest.raises(ValueError, match="0 places for the table plans"):
        with_parts(TEXT.replace("<!-- plans: begin -->", ""))


@pytest.mark.parametrize("word", [*REASONS, *OUTCOMES])
def test_every_reason_and_outcome_is_told(word: str) -> None:
    assert re.search(rf"^\| {word} \|", TEXT, flags=re.MULTILINE)
