"""What a register and a head-end make of a flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.demo import head_end
from pipelines.demo.calendar import calendar_of
from pipelines.demo.flows import Pulses, added_up
from pipelines.demo.head_end import CORRECTED, CORRECTION, ESTIMATED, Service
from rightsize.meters.catalogue import Meter

CALENDAR = calendar_of(2)
EXACT = Meter(
    meter_type="displacement",
    size_in=1,
    starting_gpm=0.1,
    min_test_gpm=0.5,
    normal_min_gpm=1,
    continuous_gpm=25,
    smoc_gpm=50,
    registration=((0.1, 1.0),),
    head_loss_psi_at_smoc=15,
    price_usd=1,
    install_usd=1,
    upkeep_usd_per_year=0,
    life_years=20,
    source="made up",
)
SERVICE = Service("M-1", EXACT, step=1.0, unit_gal=1.0)


def steady(gpm: float):
    span = np.array([float(CALENDAR.span_s)])
    return added_up([Pulses.of(np.array([0]), span, np.array([gpm]))], CALENDAR)


def rows_of(service: Service = SERVICE, gpm: float = 0.75):
    dial = head_end.readings(steady(gpm), service, CALENDAR, 60)
    return head_end.clean_rows(dial, service, CALENDAR, 60)


def test_a_steady_flow_is_registered_to_the_step():
    # HAND: 0.75 gpm is 45 gal an hour.
    assert set(rows_of().steps.tolist()) == {45}


def test_a_coarse_register_ticks():
    # HAND: 45 gal an hour on steps of 100 gal: 0 or 1 step, 45 steps in 100 hours.
    steps = rows_of(replace(SERVICE, step=100.0)).steps
    assert set(steps.tolist()) == {0, 1}
    assert steps[:100].sum() == 45


def test_flow_below_the_start_is_not_registered():
    assert rows_of(gpm=0.0625).steps.sum() == 0


def test_a_stopped_meter_registers_nothing_more():
    steps = rows_of(replace(SERVICE, stopped_s=3600 * 100)).steps
    assert steps[:100].sum() == 4500
    assert steps[100:].sum() == 0


def test_a_slowing_meter_loses_its_share_each_month():
    steps = rows_of(replace(SERVICE, slowed_by_month=0.1)).steps
    hours = 31 * 24
    assert steps[:hours].sum() == 45 * hours
    assert steps[hours:].sum() == pytest.approx(0.9 * 45 * hours, abs=1)


def test_a_change_out_hands_over_without_loss():
    at = 3600 * 250
    old = rows_of(replace(SERVICE, to_s=at))
    new = rows_of(replace(SERVICE, from_s=at))
    assert len(old.steps) + len(new.steps) == CALENDAR.hour_count
    assert old.steps.sum() + new.steps.sum() == 45 * CALENDAR.hour_count


def test_estimates_keep_the_volume_and_say_what_they_are():
    rows = head_end.with_estimates(rows_of(), np.random.default_rng(1), share=0.2, longest=30)
    assert rows.steps.sum() == rows_of().steps.sum()
    assert 0.05 < np.mean(rows.quality == ESTIMATED) < 0.4


def test_gaps_take_rows_away_and_touch_no_other():
    rows = head_end.with_gaps(rows_of(), np.random.default_rng(1), share=0.1, longest=9)
    assert 0.02 < 1 - len(rows.steps) / CALENDAR.hour_count < 0.2
    assert set(rows.steps.tolist()) == {45}


def test_a_correction_brings_the_true_reads_later():
    rows = head_end.with_correction(rows_of(), 0, np.random.default_rng(1))
    late = rows.where(rows.file == CORRECTION)
    wrong = rows.where((rows.quality == ESTIMATED) & (rows.file == 0))
    assert (late.quality == CORRECTED).all()
    assert late.interval.tolist() == wrong.interval.tolist()
    assert set(late.steps.tolist()) == {45}
    assert (wrong.steps < 45).all()


def test_repeats_are_the_same_rows_in_the_same_or_the_next_file():
    rows = rows_of()
    again = head_end.repeated(rows, np.random.default_rng(2))
    assert len(again.steps) == 24
    own = rows.file[again.interval]
    assert ((again.file - own >= 0) & (again.file - own <= 1)).all()
    assert (again.steps == rows.steps[again.interval]).all()
