"""Steady flow newly seen, and how much of it stays: planted and recovered."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from scipy import stats

from rightsize.verify.leaks.persistence import (
    LEAST_NEW_GPM,
    LEFT_AFTER_MONTHS,
    columns,
    persistence,
    pooled_persistence,
)
from rightsize.verify.panel import Cases

MONTHS = 24
CHANGE = 8


def planted(left, *, new=0.5, before=0.2, scatter=0.0, seed=1):
    """One case: steady flow before, more after the change, and what is left month by month."""
    rng = np.random.default_rng(seed)
    flow = np.full(MONTHS, before)
    flow[CHANGE:] += new
    for month, share in left.items():
        flow[CHANGE + month :] = before + share * new
    return np.maximum(flow + rng.normal(0, scatter, MONTHS), 0)


def told(flows, *, end=MONTHS, first=0):
    count = len(flows)
    cases = Cases(*(np.full(count, n) for n in (0, CHANGE, first, end)))
    return persistence(np.stack(flows), cases)


def test_a_planted_leak_and_what_is_left_of_it_come_back():
    found = told([planted({5: 0.6, 10: 0.1})])
    assert found.before_gpm[0] == pytest.approx(0.2)
    assert found.new_gpm[0] == pytest.approx(0.5)
    assert found.left_share[0] == pytest.approx([1.0, 0.6, 0.1, np.nan], nan_ok=True)


def test_later_work_on_the_meter_ends_the_measure():
    found = told([planted({})], end=CHANGE + 5)
    assert found.left_share[0] == pytest.approx([1.0, np.nan, np.nan, np.nan], nan_ok=True)


@pytest.mark.parametrize(
    ("new", "is_new"), [(LEAST_NEW_GPM + 0.001, True), (0.049, False), (-0.1, False)]
)
def test_flow_below_the_limit_is_not_new(new, is_new):
    assert np.isfinite(told([planted({}, new=new)]).new_gpm[0]) == is_new


def test_flow_within_the_scatter_of_the_months_before_is_not_new():
    restless = planted({}, new=0.1)
    restless[:CHANGE] += np.where(np.arange(CHANGE) % 2, 0.1, -0.1)
    assert np.isnan(told([restless]).new_gpm[0])


def test_an_account_with_one_month_before_is_not_told():
    assert np.isnan(told([planted({})], first=CHANGE - 1).new_gpm[0])


class TestPooled:
    def rows(self, flows, codes=None):
        found = told(flows)
        return pl.DataFrame(
            {
                name: pl.Series(values).fill_nan(None)
                for name, values in columns(found, codes or [None] * len(flows)).items()
            }
        )

    def test_planted_persistence_lies_in_its_interval(self):
        """PLANTED: each of 60 leaks is mended within 6 months with a probability of 40 %."""
        held, shares = 0, []
        for seed in range(40):
            rng = np.random.default_rng(seed)
            mended = rng.random(60) < 0.4
            new = np.exp(rng.normal(np.log(0.4), 0.5, 60))
            flows = [
                planted({5: 0.0} if m else {}, new=n, scatter=0.01, seed=seed * 100 + k)
                for k, (m, n) in enumerate(zip(mended, new, strict=True))
            ]
            row = pooled_persistence(self.rows(flows)).row(1, named=True)
            assert row["months_after"] == 6
            held += row["left_low_share"] <= 0.6 <= row["left_high_share"]
            shares.append(row["left_share"])
        # 90 % and more of 40: the fifth percentile of a binomial of 40 at 0.9 is 33
        assert held >= stats.binom.ppf(0.05, 40, 0.9)
        assert np.mean(shares) == pytest.approx(0.6, abs=0.03)  # 3 standard errors

    def test_the_share_is_of_the_flow_not_of_the_cases(self):
        """HAND: 3 gpm stay, four leaks of 0.5 gpm are mended: 3 of 5 gpm."""
        flows = [planted({}, new=3.0)] + [planted({5: 0.0}, new=0.5) for _ in range(4)]
        row = pooled_persistence(self.rows(flows)).row(1, named=True)
        assert (row["case_count"], row["left_share"]) == (5, pytest.approx(0.6))

    def test_equal_flows_have_the_interval_of_clopper_and_pearson(self):
        """OUTSIDE: `scipy.stats.binomtest` on 7 of 10 leaks that stayed."""
        flows = [planted({5: 0.0} if k < 3 else {}) for k in range(10)]
        row = pooled_persistence(self.rows(flows)).row(1, named=True)
        theirs = stats.binomtest(7, 10).proportion_ci(0.90, method="exact")
        ours = (row["left_low_share"], row["left_high_share"])
        assert ours == pytest.approx((theirs.low, theirs.high), rel=1e-6)

    def test_leaks_that_all_stay_are_no_certainty(self):
        row = pooled_persistence(self.rows([planted({})] * 6)).row(1, named=True)
        assert row["left_share"] == pytest.approx(1.0)
        assert row["left_low_share"] < 0.7

    def test_a_case_set_aside_for_a_mended_leak_counts_and_a_vacancy_does_not(self):
        flows = [planted({5: 0.0})] * 5 + [planted({})] * 5
        codes = ["leak_repaired"] * 5 + ["vacancy"] * 5
        row = pooled_persistence(self.rows(flows, codes)).row(1, named=True)
        assert (row["case_count"], row["left_share"]) == (5, 0.0)

    def test_few_cases_have_a_count_and_no_share(self):
        pooled = pooled_persistence(self.rows([planted({})] * 4))
        assert pooled["months_after"].to_list() == list(LEFT_AFTER_MONTHS)
        assert pooled["case_count"].to_list() == [4, 4, 4, 0]
        assert pooled["left_share"].null_count() == 4
