"""Metric twins of names and values: STANDARD definitions, and laws that hold for any name."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.contracts.results import RESULT_TABLES
from rightsize.units.column_units import (
    metric_evidence,
    metric_name,
    metric_text,
    metric_value,
    nominal_mm,
    unit_of,
)

NAMES = [c.name for table in RESULT_TABLES for c in table.columns]


@pytest.mark.parametrize(
    ("name", "metric", "unit"),
    [
        ("volume_gain_low_gal_per_year", "volume_gain_low_m3_per_year", "gal/year"),
        ("peak_10s_gpm", "peak_10s_m3h", "gpm"),
        ("installed_size_in", "installed_size_mm", "in"),
        ("head_loss_at_peak_psi", "head_loss_at_peak_bar", "psi"),
        ("revenue_gain_usd_per_year", "revenue_gain_usd_per_year", "USD/year"),
        ("low_flow_share", "low_flow_share", "share 0 to 1"),
        ("odds_of_fit", "odds_of_fit", "odds 0 to 1"),
        ("account_id", "account_id", ""),
        ("in", "in", "in"),
    ],
)
def test_a_name_has_its_unit_and_its_twin(name, metric, unit):
    assert (metric_name(name), unit_of(name)) == (metric, unit)


@pytest.mark.parametrize("name", NAMES)
def test_a_metric_name_has_no_further_twin(name):
    assert metric_name(metric_name(name)) == metric_name(name)


def test_values_follow_the_definitions():
    """STANDARD: 1 gal = 231 in3 = 3.785411784 L (NIST HB 44 App. C, MEM-H); 1 gpm = 0.227124707
    m3/h (CALC); 1 bar = 14.503773773 psi (MEM-H)."""
    assert metric_value("volume_gal", 1) == pytest.approx(0.003785411784, rel=1e-12)
    assert metric_value("peak_gpm", 1) == pytest.approx(0.227124707, rel=1e-9)
    assert metric_value("loss_psi", 14.503773773) == pytest.approx(1, rel=1e-9)
    assert metric_value("price_usd", 5) == 5


@pytest.mark.parametrize(
    ("size_in", "dn_mm"), [(0.75, 20), (1, 25), (1.5, 40), (2, 50), (3, 80), (4, 100), (6, 150)]
)
def test_sizes_are_nominal_diameters(size_in, dn_mm):
    """STANDARD: ISO 6708 DN of nominal pipe sizes (from memory, high trust)."""
    assert nominal_mm(size_in) == dn_mm


def test_a_size_without_a_nominal_diameter_is_whole_millimetres():
    assert nominal_mm(5.5) == 140  # 139.7 mm


@given(st.floats(0, 1e9), st.floats(0, 1e9))
def test_conversion_keeps_order(first, second):
    low, high = sorted((first, second))
    for name in ("a_gal_per_year", "a_gpm", "a_psi"):
        assert metric_value(name, low) <= metric_value(name, high)


def test_a_statement_turns_metric_word_by_word():
    sql = "select a.volume_gain_gal_per_year, size_in in (1) from x where note = 'in'"
    assert metric_text(sql) == (
        "select a.volume_gain_m3_per_year, size_mm in (1) from x where note = 'in'"
    )


def test_evidence_turns_metric_by_its_keys():
    text = '{"peak_gpm": 100, "meter": "2 in", "is_open": true, "size_in": 2, "days": 3}'
    evidence = json.loads(metric_evidence(text))
    assert evidence["peak_m3h"] == pytest.approx(22.7124707)
    assert evidence["size_mm"] == 50
    assert (evidence["meter"], evidence["is_open"], evidence["days"]) == ("2 in", True, 3)
    assert metric_evidence("[1]") == "[1]"
