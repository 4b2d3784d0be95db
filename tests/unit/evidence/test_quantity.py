"""Figures are written with the digits they deserve."""

from __future__ import annotations

import pytest

from rightsize.evidence.quantity import Units, odds, pct, share, significant, usd


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "0"), (0.012345, "0.0123"), (1.5, "1.5"), (12.34, "12.3"), (99.96, "100"),
        (1234567.8, "1,234,568"), (-2.5, "−2.5"),
    ],
)  # fmt: skip
def test_three_digits_and_parted_thousands(value, said):
    assert significant(value).replace("\u202f", " ") == said


def test_nothing_is_called_certain():
    assert odds(1.0) == "99\u202f%"
    assert odds(0.0) == "1\u202f%"
    assert odds(0.75) == "75\u202f%"


def test_what_is_not_known_is_said_so():
    assert {odds(None), pct(None), usd(None), share(None), Units("us").flow(None)} == {
        "not known"
    }


def test_a_loss_has_a_minus_and_a_rounded_zero_has_none():
    assert usd(-12.6) == "−$13"
    assert usd(-0.4) == "$0"


def test_sizes_are_said_as_the_trade_says_them():
    assert Units("us").size(0.625) == "5/8\u202fin"
    assert Units("metric").size(0.75) == "20\u202fmm"  # STANDARD: DN 20 for 3/4 in, ISO 6708


def test_metric_flow_is_cubic_metres_an_hour():
    # HAND: 1 gal = 3.785411784 L, so 100 gpm = 22.712 m3/h
    assert Units("metric").flow(100.0) == "22.7\u202fm³/h"
