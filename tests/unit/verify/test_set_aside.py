"""What else happened at an account: told apart from a gain, and never called one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rightsize.verify.panel import WEEKS
from rightsize.verify.realised import realised
from tests.unit.verify.fleets import fleet


@pytest.fixture(scope="module")
def quiet():
    return fleet(201, kept=300, changed=40)


def with_factor(made, factor):
    """The fleet with the volumes of case 0 multiplied, week by week."""
    volume = made.panel.registered_gal_per_day.copy()
    volume[made.cases.account[0]] *= factor
    return replace(made, panel=replace(made.panel, registered_gal_per_day=volume))


def code_of(made):
    return realised(made.panel, made.cases, WEEKS).code[0]


def weeks(made):
    return np.arange(made.panel.registered_gal_per_day.shape[1]), made.cases.change[0]


def test_a_quiet_fleet_has_nothing_set_aside(quiet):
    said = realised(quiet.panel, quiet.cases, WEEKS)
    assert set(said.code) == {None}


@pytest.mark.parametrize("side", ["before", "after", "from the change on"])
def test_a_vacancy(quiet, side):
    week, change = weeks(quiet)
    begins = {"before": change - 15, "after": change + 3, "from the change on": change}[side]
    long = 100 if side == "from the change on" else 6
    empty = (week >= begins) & (week < begins + long)
    assert code_of(with_factor(quiet, np.where(empty, 0.0, 1.0))) == "vacancy"


def test_two_empty_weeks_are_a_holiday_not_a_vacancy(quiet):
    week, change = weeks(quiet)
    empty = (week >= change + 3) & (week < change + 5)
    assert code_of(with_factor(quiet, np.where(empty, 0.05, 1.0))) is None


@pytest.mark.parametrize("factor", [0.5, 1.8])
def test_a_change_of_use_at_another_time_than_the_change(quiet, factor):
    week, change = weeks(quiet)
    assert (
        code_of(with_factor(quiet, np.where(week > change + 9, factor, 1))) == "change_of_use"
    )
    assert code_of(with_factor(quiet, np.where(week < change - 20, factor, 1))) == (
        "change_of_use"
    )


@pytest.mark.parametrize("factor", [0.7, 1.5])
def test_a_large_step_at_the_change_is_its_gain(quiet, factor):
    week, change = weeks(quiet)
    assert code_of(with_factor(quiet, np.where(week > change, factor, 1))) is None


@pytest.mark.parametrize("factor", [0.1, 7.4805, 10, 100])
def test_a_wrong_multiplier_at_the_change(quiet, factor):
    week, change = weeks(quiet)
    assert code_of(with_factor(quiet, np.where(week > change, factor, 1))) == "multiplier"


class TestRepairedLeak:
    """A leak of a quarter of the use that stops: steady flow falls, and so does volume."""

    def leaking(self, made, ends):
        volume = made.panel.registered_gal_per_day.copy()
        row = made.cases.account[0]
        week = np.arange(volume.shape[1])
        leak = 0.25 * volume[row].mean()
        volume[row] += np.where(week < ends, leak, 0)
        steady = np.full(volume.shape, 0.02 * volume[row].mean())
        steady[row] += np.where(week < ends, leak, 0)
        return replace(
            made,
            panel=replace(made.panel, registered_gal_per_day=volume, steady_gal_per_day=steady),
        )

    @pytest.mark.parametrize("weeks_from_change", [-10, 1, 8])
    def test_it_is_told_from_a_lost_gain(self, quiet, weeks_from_change):
        ends = quiet.cases.change[0] + weeks_from_change
        assert code_of(self.leaking(quiet, ends)) == "leak_repaired"

    def test_a_leak_that_goes_on_is_no_event(self, quiet):
        assert code_of(self.leaking(quiet, 1000)) is None

    def test_without_night_flow_it_would_pass_for_a_lost_gain(self, quiet):
        made = self.leaking(quiet, quiet.cases.change[0] + 1)
        blind = replace(made, panel=replace(made.panel, steady_gal_per_day=None))
        said = realised(blind.panel, blind.cases, WEEKS)
        assert said.code[0] is None
        assert said.gain_high_share[0] < quiet.gain_share[0] - 0.1


def test_a_vacant_control_is_no_measure(quiet):
    """A quarter of those that kept their meter empty out: the gains stay what they were."""
    volume = quiet.panel.registered_gal_per_day.copy()
    volume[:75, 80:] *= 0.02
    mixed = replace(quiet.panel, registered_gal_per_day=volume)
    said = realised(mixed, quiet.cases, WEEKS)
    told = np.isfinite(said.gain_share)
    assert told.mean() > 0.8
    assert abs((said.gain_share - quiet.gain_share)[told].mean()) < 0.01
