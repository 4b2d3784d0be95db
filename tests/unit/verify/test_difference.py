"""Difference in differences: held against statsmodels, and against planted gains."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.verify.difference import best_adjusted, effects, pooled, stack, within
from rightsize.verify.matching import NO_CONTROL, matched_controls
from rightsize.verify.panel import Cases, Panel
from tests.unit.verify.fleets import fleet

SAME = 1e-8  # two ways of solving one least-squares problem


def small_stack(*, cases: int = 6, gaps: float = 0.0, shared: bool = False, seed: int = 5):
    """Cases of one changed account and 5 controls over 24 months, some months missing."""
    rng = np.random.default_rng(seed)
    controls, months = 5, 24
    accounts = cases + (controls + 2 if shared else cases * controls)
    month = np.arange(months)
    volume = np.exp(rng.normal(6, 1, accounts))[:, None] * (1 + 0.3 * np.sin(month / 2))
    volume = volume * rng.gamma(200, 1 / 200, volume.shape)
    change = rng.integers(10, 15, cases)
    volume[:cases] *= 1 + 0.06 * (month > change[:, None])
    volume[rng.random(volume.shape) < gaps] = np.nan
    if shared:
        rows = np.stack(
            [rng.choice(np.arange(cases, accounts), controls, replace=False) for _ in change]
        )
    else:
        rows = np.arange(cases, accounts).reshape(cases, controls)
    panel = Panel(volume, np.zeros(accounts, dtype=np.int64), np.arange(accounts) >= cases)
    made = Cases(
        np.arange(cases), change, np.zeros(cases, dtype=np.int64), np.full(cases, months)
    )
    return stack(panel, made, rows)


def by_statsmodels(made, chosen, weather=None):
    """Dummy-variable least squares over the chosen cases, clustered by account.

    With weather, a slope of its own for each account: the last of each case is left out, since
    period effects take up what all its accounts share.
    """
    used = made.used[chosen]
    case, member, period = np.nonzero(used)
    own_account, own_period = case * 1000 + member, case * 1000 + period
    first = {int(label) for label in own_period[np.unique(case, return_index=True)[1]]}
    columns = [made.treatment[chosen][case, member, period]]
    columns += [(own_account == label).astype(float) for label in np.unique(own_account)]
    columns += [
        (own_period == label).astype(float)
        for label in np.unique(own_period)
        if int(label) not in first
    ]
    if weather is not None:
        last = {int(c): int(own_account[case == c].max()) for c in np.unique(case)}
        columns += [
            (own_account == label) * series[period]
            for series in weather.T
            for label in np.unique(own_account)
            if int(label) not in last.values()
        ]
    _, clusters = np.unique(made.account[chosen][case, member], return_inverse=True)
    return sm.OLS(made.relative[chosen][case, member, period], np.stack(columns, axis=1)).fit(
        cov_type="cluster", cov_kwds={"groups": clusters}, use_t=True
    )


def part(made, chosen):
    return replace(made, **{f.name: getattr(made, f.name)[chosen] for f in fields(made)})


class TestAgainstStatsmodels:
    """OUTSIDE: the same data in `statsmodels.api.OLS` with dummies and `cov_type="cluster"`."""

    @pytest.mark.parametrize("gaps", [0.0, 0.15], ids=["whole", "with gaps"])
    @pytest.mark.parametrize("shared", [False, True], ids=["own controls", "shared controls"])
    def test_pooled_effect_and_its_cluster_robust_interval(self, gaps, shared):
        made = small_stack(gaps=gaps, shared=shared)
        theirs = by_statsmodels(made, np.arange(6))
        ours = pooled(made)
        assert ours.effect == pytest.approx(theirs.params[0], rel=SAME)
        assert ours.robust_error == pytest.approx(theirs.bse[0], rel=1e-6)
        low, high = theirs.conf_int(alpha=0.10)[0]
        assert ours.interval() == pytest.approx((low, high), rel=1e-6)

    @pytest.mark.parametrize("gaps", [0.0, 0.15], ids=["whole", "with gaps"])
    def test_gain_of_each_case_over_its_adjusted_baseline(self, gaps):
        made = small_stack(gaps=gaps)
        ours = effects(made)
        for case in range(6):
            theirs = by_statsmodels(made, np.array([case]))
            after = (made.treatment[case, 0] * made.used[case, 0]).astype(bool)
            expected = made.relative[case, 0][after].mean() - theirs.params[0]
            assert ours.gain_share[case] == pytest.approx(theirs.params[0] / expected, rel=SAME)
            baseline = expected * made.base_gal_per_day[case]
            assert ours.adjusted_baseline_gal_per_day[case] == pytest.approx(baseline, rel=SAME)

    def test_interval_of_one_case_is_that_of_least_squares_on_changes_of_accounts(self):
        """Means after less means before, one row an account (Bertrand, Duflo, Mullainathan)."""
        made = small_stack()
        ours = effects(made)
        for case in range(6):
            change = made.relative[case][:, made.after[case]].mean(axis=1)
            change -= made.relative[case][:, made.before[case]].mean(axis=1)
            is_changed = (np.arange(6) == 0).astype(float)
            theirs = sm.OLS(change, sm.add_constant(is_changed)).fit()
            expected = made.relative[case, 0][made.after[case]].mean() - theirs.params[1]
            assert ours.freedom[case] == theirs.df_resid
            assert ours.log_error[case] == pytest.approx(theirs.bse[1] / expected, rel=1e-6)


class TestWeather:
    """Each account's own answer to weather, in the same least squares."""

    WEATHER = np.stack((np.sin(np.arange(24) / 2), np.random.default_rng(8).normal(size=24)), 1)

    @pytest.mark.parametrize("gaps", [0.0, 0.15], ids=["whole", "with gaps"])
    @pytest.mark.parametrize("series", [1, 2])
    def test_gain_equals_statsmodels_with_a_slope_for_each_account(self, gaps, series):
        """OUTSIDE: `statsmodels.api.OLS` with dummies and account slopes."""
        made, weather = small_stack(gaps=gaps), self.WEATHER[:, :series]
        ours = effects(made, weather)
        for case in range(6):
            theirs = by_statsmodels(made, np.array([case]), weather)
            after = (made.treatment[case, 0] * made.used[case, 0]).astype(bool)
            expected = made.relative[case, 0][after].mean() - theirs.params[0]
            assert ours.gain_share[case] == pytest.approx(theirs.params[0] / expected, rel=1e-6)

    def test_interval_is_that_of_least_squares_on_each_accounts_own_step(self):
        """OUTSIDE: one regression an account on one, weather and the time after, by
        `statsmodels`; then the changed account's step against those of its controls."""
        made, weather = small_stack(), self.WEATHER[:, :1]
        ours = effects(made, weather)
        for case in range(6):
            design = np.column_stack([np.ones(24), weather, made.after[case]])
            used = made.used[case].all(axis=0)
            steps = np.array([
                sm.OLS(volume[used], design[used]).fit().params[-1]
                for volume in made.relative[case]
            ])  # fmt: skip
            is_changed = (np.arange(6) == 0).astype(float)
            theirs = sm.OLS(steps, sm.add_constant(is_changed)).fit()
            expected = made.relative[case, 0][made.after[case]].mean() - theirs.params[1]
            assert ours.gain_share[case] == pytest.approx(theirs.params[1] / expected, rel=1e-6)
            assert ours.log_error[case] == pytest.approx(theirs.bse[1] / expected, rel=1e-6)

    @pytest.mark.parametrize("gap", [np.nan, 3.0], ids=["not whole", "the same always"])
    def test_a_series_that_tells_nothing_changes_nothing(self, gap):
        made = small_stack()
        weather = self.WEATHER[:, :1].copy() if np.isnan(gap) else np.full((24, 1), gap)
        weather[7] = gap
        plain, told = effects(made), effects(made, weather)
        assert told.gain_share == pytest.approx(plain.gain_share, rel=SAME)
        assert told.log_error == pytest.approx(plain.log_error, rel=SAME)
        assert not best_adjusted(made, weather)[1].any()

    def test_the_unit_of_a_series_changes_nothing(self):
        made, weather = small_stack(), self.WEATHER
        told, other = effects(made, weather), effects(made, 25.4 * weather + 32)
        assert other.gain_share == pytest.approx(told.gain_share, rel=1e-6)

    def test_the_choice_rests_on_controls_alone(self):
        """Whatever the changed account does after its change, the choice stays."""
        made, weather = small_stack(), self.WEATHER[:, :1]
        moved = made.relative.copy()
        moved[:, 0] *= np.where(made.after, 3.0, 1.0)
        before, after = (
            best_adjusted(m, weather)[1] for m in (made, replace(made, relative=moved))
        )
        assert (before == after).all()


def test_an_only_changed_account_needs_the_spread_of_its_controls():
    """Why a single case is not given its cluster-robust interval: it is far too narrow."""
    made = small_stack()
    robust = [pooled(part(made, np.array([c]))).robust_error for c in range(6)]
    assert np.median(robust / effects(made).log_error) < 0.6


class TestWithin:
    def test_no_account_or_period_mean_is_left(self):
        made = small_stack(gaps=0.2)
        left = within(made.relative, made.used)
        assert abs(left.sum(axis=1)).max() < 1e-9
        assert abs(left.sum(axis=2)).max() < 1e-9

    @given(st.integers(0, 2**32 - 1))
    @settings(max_examples=20, deadline=None)
    def test_effects_of_accounts_and_periods_change_nothing(self, seed):
        rng = np.random.default_rng(seed)
        made = small_stack(gaps=0.2)
        shift = rng.normal(size=made.relative.shape[:2])[:, :, None]
        shift = shift + rng.normal(size=(6, 1, made.relative.shape[2]))
        moved = within(made.relative + shift, made.used)
        assert moved == pytest.approx(within(made.relative, made.used), abs=1e-9)


def test_the_adjusted_baseline_is_that_of_ipmvp():
    """OUTSIDE: IPMVP Core Concepts (2016), equation 1: savings = (baseline period use -
    reporting period use) +/- adjustments. HAND: 100 gal a day before; a drought takes a fifth
    from all who kept their meter; 88 after. The baseline in the conditions of the reporting
    period is 80: savings are (100 - 88) - 20 = -8 gal a day, a gain of a tenth of 80."""
    months, level = 24, np.array([[100.0], [300.0], [50.0], [70.0]])
    volume = level * np.where(np.arange(months) > 11, 0.8, 1.0)
    volume[0, 12:] = 88.0
    panel = Panel(volume, np.zeros(4, dtype=np.int64), np.arange(4) > 0)
    one = Cases(*(np.array([n]) for n in (0, 11, 0, months)))
    found = effects(stack(panel, one, np.array([[1, 2, 3]])))
    assert found.adjusted_baseline_gal_per_day[0] == pytest.approx(80.0)
    assert found.gain_share[0] == pytest.approx(0.10)
    savings = (100.0 - 88.0) - 20.0
    gain = found.gain_share[0] * found.adjusted_baseline_gal_per_day[0]
    assert gain == pytest.approx(-savings)


def test_a_gain_is_a_share_and_so_free_of_the_unit():
    made = fleet(3, kept=200, changed=20)
    controls = matched_controls(made.panel, made.cases, controls=10)
    in_gal = effects(stack(made.panel, made.cases, controls))
    metric = replace(
        made.panel, registered_gal_per_day=made.panel.registered_gal_per_day / 264.2
    )
    in_m3 = effects(stack(metric, made.cases, controls))
    assert in_m3.gain_share == pytest.approx(in_gal.gain_share, rel=SAME)


def test_a_case_without_controls_or_periods_has_no_answer():
    made = fleet(3, kept=50, changed=2)
    none = np.full((2, 10), NO_CONTROL)
    assert np.isnan(effects(stack(made.panel, made.cases, none)).gain_share).all()
