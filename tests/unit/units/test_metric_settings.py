"""Tariff and thresholds of a metric utility: other keys, the same rates and limits."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from rightsize.settings import Tariff, Thresholds

US = {
    "classes": {
        "default": {
            "tiers": [
                {"up_to_gal_per_month": 26417.205, "usd_per_kgal": 3.785411784},
                {"usd_per_kgal": 7.570823568},
            ],
            "sewer_usd_per_kgal": 3.785411784,
        }
    },
    "fixed_charge_usd_per_month": {0.625: 14, 2: 74},
}
METRIC = {
    "classes": {
        "default": {
            "tiers": [{"up_to_m3_per_month": 100, "usd_per_m3": 1}, {"usd_per_m3": 2}],
            "sewer_usd_per_m3": 1,
        }
    },
    "fixed_charge_by_mm_usd_per_month": {15: 14, 50: 74},
}


def test_a_metric_tariff_is_the_us_tariff() -> None:  # HAND: 1 m3 is 0.26417 kgal
    us, metric = Tariff.model_validate(US), Tariff.model_validate(METRIC)
    ours, theirs = us.for_class("office"), metric.for_class("office")
    for a, b in zip(ours.tiers, theirs.tiers, strict=True):
        assert a.usd_per_kgal == pytest.approx(b.usd_per_kgal, rel=1e-8)
    assert ours.tiers[0].up_to_gal_per_month == pytest.approx(
        theirs.tiers[0].up_to_gal_per_month, rel=1e-6
    )
    assert ours.sewer_usd_per_kgal == pytest.approx(theirs.sewer_usd_per_kgal)
    assert us.fixed_charge_usd_per_month == metric.fixed_charge_usd_per_month


def test_metric_thresholds_are_us_thresholds() -> None:
    limits = Thresholds.model_validate(
        {
            "spare_head_bar": 1.4,
            "min_size_mm": 20,
            "refit_usd_per_mm": 2,
            "stock_list": ["displacement 25 mm", "turbine 3"],
        }
    )
    assert limits.spare_head_psi == pytest.approx(20.305, abs=0.001)
    assert (limits.min_size_in, limits.refit_usd_per_in) == (0.75, pytest.approx(50.8))
    assert limits.stock_list == ("displacement 1", "turbine 3")


@pytest.mark.parametrize(
    ("model", "content", "said"),
    [
        (Thresholds, {"spare_head_bar": 1, "spare_head_psi": 9}, "spare_head_bar or spare_h"),
        (Thresholds, {"spare_head_bar": "much"}, "spare_head_bar: must be a number; got 'm"),
        (Thresholds, {"min_size_mm": 17}, "min_size_mm: allowed: 13, 15, 20"),
        (Thresholds, {"stock_list": ["turbine 55 mm"]}, "stock_list: allowed: 13, 15"),
        (Tariff, US | {"fixed_charge_by_mm_usd_per_month": {15: 1}}, "not both"),
        (Tariff, {**METRIC, "fixed_charge_by_mm_usd_per_month": 3}, "must be keys and values"),
        (Tariff, {**METRIC, "fixed_charge_by_mm_usd_per_month": {17: 1}}, "allowed: 13, 15"),
    ],
)
def test_what_is_wrong_in_a_metric_key_is_said(
    model: Any, content: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValidationError) as refused:
        model.model_validate(content)
    assert said in str(refused.value)
