"""Totals from joint samples: what accounts share is in the range of the sum once."""

from __future__ import annotations

import polars as pl
import pytest


def _changes(published) -> pl.DataFrame:
    frame = published.frames["recommendation"]
    return frame.filter(pl.col("action") == "change")


def test_the_total_of_the_fleet_has_the_range_of_the_sum(published, answer):
    # PLANTED: in sample k every gain is its mean times 0.5 + (k - 1) / 19
    net = _changes(published)["net_benefit_usd_per_year"].sum()
    [row] = answer(
        "select changes, net_benefit_usd_per_year, net_benefit_low_usd_per_year,"
        " net_benefit_high_usd_per_year from fleet_total where scope = 'fleet'"
    )
    assert row[0] == _changes(published).height
    assert row[1:] == pytest.approx((net, 0.55 * net, 1.45 * net), rel=1e-9)


@pytest.mark.parametrize("scope", ["verdict", "class", "area"])
def test_parts_add_up_to_the_fleet(answer, scope):
    [fleet] = answer("select volume_gain_gal_per_year from fleet_total where scope = 'fleet'")
    parts = answer(
        f"select sum(volume_gain_gal_per_year) from fleet_total where scope = '{scope}'"
    )
    assert parts[0] == pytest.approx(fleet, rel=1e-9)


def test_a_class_shows_the_range_of_its_total(answer):
    rows = answer(
        "select c.net_benefit_low_usd_per_year - t.net_benefit_low_usd_per_year"
        " from class_summary as c join fleet_total as t"
        " on t.scope = 'class' and t.name = c.customer_class"
    )
    assert rows
    assert all(r[0] == pytest.approx(0, abs=1e-6) for r in rows)
