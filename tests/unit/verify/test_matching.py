"""Matched controls: of the class, meter kept, alike before the change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rightsize.verify.matching import NO_CONTROL, matched_controls
from rightsize.verify.panel import Cases, Panel, cases_at
from tests.unit.verify.fleets import fleet


def test_controls_are_of_the_class_kept_their_meter_and_are_not_repeated():
    made = fleet(21, kept=300, changed=60)
    found = matched_controls(made.panel, made.cases, controls=12)
    own = made.panel.customer_class[made.cases.account]
    assert (found != NO_CONTROL).all()
    assert (made.panel.customer_class[found] == own[:, None]).all()
    assert made.panel.is_kept[found].all()
    assert all(len(set(row)) == 12 for row in found)


def test_matching_brings_level_and_season_together():
    made = fleet(22, kept=1200, changed=60)
    found = matched_controls(made.panel, made.cases, controls=10)
    volume = made.panel.registered_gal_per_day[:, :52]
    level = np.log(volume.mean(axis=1))
    apart = np.abs(level[found] - level[made.cases.account][:, None]).mean()
    pool = np.flatnonzero(made.panel.is_kept)
    at_random = np.abs(level[pool][None] - level[made.cases.account][:, None]).mean()
    assert apart < 0.5 * at_random


def test_what_came_after_chooses_no_control():
    made = fleet(23, kept=300, changed=40)
    volume = made.panel.registered_gal_per_day.copy()
    volume[:, made.cases.change.max() + 1 :] *= np.random.default_rng(1).uniform(
        0.1, 9, (len(volume), 1)
    )
    moved = replace(made.panel, registered_gal_per_day=volume)
    last = made.cases.take(made.cases.change == made.cases.change.max())
    assert (
        matched_controls(made.panel, last, controls=8)
        == matched_controls(moved, last, controls=8)
    ).all()


def test_a_twin_comes_first():
    made = fleet(24, kept=300, changed=40)
    volume = made.panel.registered_gal_per_day.copy()
    volume[7] = volume[made.cases.account[0]]
    classes = made.panel.customer_class.copy()
    classes[7] = classes[made.cases.account[0]]
    twin = replace(made.panel, registered_gal_per_day=volume, customer_class=classes)
    assert matched_controls(twin, made.cases, controls=5)[0, 0] == 7


def test_shape_by_hour_decides_where_it_is_given():
    made = fleet(25, kept=300, changed=40)
    shape = np.full((340, 4), 0.25)
    own = made.panel.customer_class == made.panel.customer_class[made.cases.account[0]]
    alike = np.flatnonzero(own & made.panel.is_kept)[:6]
    shape[alike] = shape[made.cases.account[0]] = [0.7, 0.1, 0.1, 0.1]
    found = matched_controls(replace(made.panel, shape_share=shape), made.cases, controls=6)
    assert set(found[0]) == set(alike)


def test_an_account_with_too_few_reads_is_no_control():
    made = fleet(26, kept=30, changed=4)
    volume = made.panel.registered_gal_per_day.copy()
    volume[:15, 60:] = np.nan
    found = matched_controls(
        replace(made.panel, registered_gal_per_day=volume), made.cases, controls=30
    )
    assert not np.isin(found, np.arange(15)).any()
    assert (found == NO_CONTROL).any(axis=1).all()


@pytest.mark.parametrize("change", [0, 23])
def test_nothing_before_or_after_has_no_controls(change):
    panel = Panel(np.ones((5, 24)), np.zeros(5, dtype=np.int64), np.arange(5) > 0)
    case = Cases(np.array([0]), np.array([change]), np.array([0]), np.array([24]))
    assert (matched_controls(panel, case, controls=3) == NO_CONTROL).all()


def test_windows_end_where_the_accounts_other_change_out_stands():
    made = cases_at(np.array([4, 9, 4]), np.array([30, 10, 60]), periods=100, most_before=52)
    assert made.first.tolist() == [0, 0, 31]
    assert made.end.tolist() == [60, 100, 100]
