"""A tariff that contradicts itself is refused with one clear line."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from rightsize.settings import Tariff

PLAIN: dict[str, Any] = {"tiers": [{"usd_per_kgal": 5}]}


def refused(content: dict[str, Any]) -> str:
    with pytest.raises(ValidationError) as caught:
        Tariff.model_validate(content)
    return str(caught.value)


def test_no_default_class() -> None:
    assert "classes must include 'default'" in refused({"classes": {"office": PLAIN}})


def test_a_class_that_is_not_known() -> None:
    said = refused({"classes": {"default": PLAIN, "offices": PLAIN}})
    assert "unknown customer class 'offices'" in said
    assert "laundry" in said


def test_a_class_that_is_not_named_uses_default() -> None:
    rates = Tariff.model_validate({"classes": {"default": PLAIN}})
    assert rates.for_class("laundry") is rates.classes["default"]


def test_tiers_out_of_order() -> None:
    tiers = [
        {"up_to_gal_per_month": 500, "usd_per_kgal": 1},
        {"up_to_gal_per_month": 200, "usd_per_kgal": 2},
        {"usd_per_kgal": 3},
    ]
    said = refused({"classes": {"default": {"tiers": tiers}}})
    assert (
        "tiers must be in increasing order of up_to_gal_per_month; got [500.0, 200.0]" in said
    )


def test_a_last_tier_with_an_end_and_a_middle_one_without() -> None:
    ended = [{"up_to_gal_per_month": 500, "usd_per_kgal": 1}]
    assert "the last tier must not have" in refused({"classes": {"default": {"tiers": ended}}})
    open_first = [{"usd_per_kgal": 1}, {"usd_per_kgal": 2}]
    assert "every tier except the last needs" in refused(
        {"classes": {"default": {"tiers": open_first}}}
    )


def test_negative_prices_and_charges() -> None:
    below = {"tiers": [{"usd_per_kgal": -5}]}
    assert "greater than or equal to 0" in refused({"classes": {"default": below}})
    assert "greater than or equal to 0" in refused(
        {"classes": {"default": PLAIN}, "fixed_charge_usd_per_month": {1: -1}}
    )


def test_no_tier_at_all_and_an_unknown_key() -> None:
    assert "at least 1 item" in refused({"classes": {"default": {"tiers": []}}})
    assert "Extra inputs" in refused({"classes": {"default": PLAIN}, "currency": "USD"})


def test_numbers_that_are_not_finite() -> None:
    endless = {"tiers": [{"usd_per_kgal": float("inf")}]}
    assert "finite" in refused({"classes": {"default": endless}})
    assert "finite" in refused(
        {"classes": {"default": PLAIN}, "discount_rate_pct": float("nan")}
    )


def test_a_meter_size_that_is_not_positive() -> None:
    said = refused({"classes": {"default": PLAIN}, "fixed_charge_usd_per_month": {0: 10}})
    assert "greater than 0" in said
