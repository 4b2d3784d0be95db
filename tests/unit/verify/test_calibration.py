"""Promises against what came: held against statsmodels, and planted over-promises found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.stats.meta_analysis import combine_effects

from rightsize.errors import ContractError
from rightsize.verify.calibration import LEAST_CASES, Promises, between_cases, calibration
from rightsize.verify.correction import (
    HIGHEST_FACTOR,
    NO_CORRECTION,
    corrections,
    factor_of,
)
from rightsize.verify.correction import (
    LEAST_CASES as LEAST_TO_CORRECT,
)

SAME = 1e-6
REACH = 1.6449  # normal, 90 %


def promises(seed=1, *, cases=60, factor=1.0, lost=0.0, error=0.01):
    """Promises of 1 to 12 %, of which `factor` comes, less `lost`, measured with an error."""
    rng = np.random.default_rng(seed)
    promised = rng.uniform(0.01, 0.12, cases)
    doubt = 0.2 * promised
    errors = error * rng.uniform(0.5, 1.5, cases)
    came = factor * rng.normal(promised, doubt) - lost + rng.normal(0, errors)
    return Promises(promised, promised - REACH * doubt, promised + REACH * doubt, came, errors)


class TestAgainstStatsmodels:
    """OUTSIDE: the same data in statsmodels."""

    @pytest.mark.parametrize("factor", [1.0, 0.5])
    def test_line_and_its_test(self, factor):
        made = promises(factor=factor)
        ours = calibration(made)
        weight = 1 / (made.realised_error**2 + ours.between_share**2)
        design = sm.add_constant(made.promised_share)
        theirs = sm.WLS(made.realised_share, design, weights=weight).fit(
            cov_type="HC1", use_t=True
        )
        assert (ours.intercept_share, ours.slope) == pytest.approx(theirs.params, rel=SAME)
        assert (ours.slope_low, ours.slope_high) == pytest.approx(
            theirs.conf_int(alpha=0.10)[1], rel=SAME
        )
        test = theirs.f_test((np.eye(2), np.array([0.0, 1.0])))
        assert ours.line_probability == pytest.approx(float(test.pvalue), rel=SAME)

    def test_bias_and_its_test(self):
        made = promises(lost=0.01)
        ours = calibration(made)
        weight = 1 / (made.realised_error**2 + ours.between_share**2)
        missed = made.realised_share - made.promised_share
        theirs = sm.WLS(missed, np.ones(len(missed)), weights=weight).fit(
            cov_type="HC1", use_t=True
        )
        assert ours.bias_share == pytest.approx(theirs.params[0], rel=SAME)
        assert ours.bias_probability == pytest.approx(theirs.pvalues[0], rel=SAME)
        assert (ours.bias_low_share, ours.bias_high_share) == pytest.approx(
            theirs.conf_int(alpha=0.10)[0], rel=SAME
        )

    def test_spread_between_cases_is_that_of_paule_and_mandel(self):
        made = promises(3, error=0.004)
        missed = made.realised_share - made.promised_share
        theirs = combine_effects(missed, made.realised_error**2, method_re="iterated")
        ours = between_cases(missed, made.realised_error)
        assert ours**2 == pytest.approx(theirs.tau2, rel=1e-3)

    def test_coverage_has_the_exact_binomial_interval(self):
        from statsmodels.stats.proportion import proportion_confint

        ours = calibration(promises(4))
        held = round(ours.covered_share * 60)
        assert (ours.covered_low_share, ours.covered_high_share) == pytest.approx(
            proportion_confint(held, 60, alpha=0.10, method="beta"), rel=SAME
        )


class TestPlanted:
    """PLANTED: over 200 sets of 60 cases."""

    def test_honest_promises_are_seldom_called_wrong(self):
        said = [calibration(promises(seed)) for seed in range(200)]
        assert np.mean([s.is_over_promised for s in said]) <= 0.06  # 2.5 % and two errors
        assert np.mean([s.line_probability < 0.05 for s in said]) <= 0.12  # robust, 60 cases
        assert 0.88 <= np.mean([s.covered_share for s in said]) <= 0.92
        assert np.mean([s.slope for s in said]) == pytest.approx(1.0, abs=0.02)

    def test_an_over_promise_is_found(self):
        said = [calibration(promises(seed, factor=0.6)) for seed in range(50)]
        assert np.mean([s.is_over_promised for s in said]) > 0.95
        assert np.mean([s.slope for s in said]) == pytest.approx(0.6, abs=0.02)
        assert np.mean([s.covered_share for s in said]) < 0.7

    def test_an_under_promise_is_not_called_an_over_promise(self):
        said = calibration(promises(1, factor=1.5))
        assert said.bias_probability < 0.01
        assert not said.is_over_promised


class TestLimits:
    def test_too_few_cases_say_nothing(self):
        assert calibration(promises(cases=LEAST_CASES - 1)) is None
        assert calibration(promises(cases=LEAST_CASES)) is not None

    def test_one_promise_for_all_has_a_bias_and_no_line(self):
        made = replace(promises(), promised_share=np.full(60, 0.05))
        said = calibration(made)
        assert np.isfinite(said.bias_share)
        assert np.isnan(said.slope)

    def test_values_that_are_no_numbers_are_refused(self):
        made = promises()
        with pytest.raises(ContractError, match="realised_share holds"):
            calibration(replace(made, realised_share=made.realised_share * np.nan))
        with pytest.raises(ContractError, match="realised_error must be above zero"):
            calibration(replace(made, realised_error=made.realised_error * 0))


class TestCorrection:
    """PLANTED: half of what is promised comes of compounds, all of it of ultrasonic meters."""

    def mixed(self, seed=9):
        parts = [promises(seed, factor=0.5, cases=80), promises(seed + 1, cases=80)]
        together = Promises(
            *(
                np.concatenate([getattr(p, name) for p in parts])
                for name in Promises.__dataclass_fields__
            )
        )
        groups = [("compound", 2.0, "hotel")] * 80 + [("ultrasonic", 2.0, "hotel")] * 80
        return together, groups

    def test_each_type_gets_its_own(self):
        found = corrections(*self.mixed())
        assert factor_of(found, ("compound", 2.0, "hotel")).factor == pytest.approx(
            0.5, abs=0.08
        )
        assert factor_of(found, ("ultrasonic", 2.0, "hotel")).factor == pytest.approx(
            1.0, abs=0.08
        )

    def test_corrected_promises_are_wrong_by_no_more_than_the_factors_say(self):
        off = []
        for seed in range(500, 560, 2):
            found = corrections(*self.mixed(seed))
            for meter, truth in (("compound", 0.5), ("ultrasonic", 1.0)):
                learned = factor_of(found, (meter, 2.0, "hotel"))
                off.append((learned.factor - truth) / learned.error)
        assert np.sqrt(np.mean(np.square(off))) < 1.3  # 1, and what small groups lose

    def test_corrected_promises_are_no_longer_over_promises(self):
        was_over, is_over = [], []
        for seed in range(500, 520, 2):
            made, groups = self.mixed(seed)
            factor = np.array([factor_of(corrections(made, groups), g).factor for g in groups])
            fresh, _ = self.mixed(seed + 1000)
            mended = replace(
                fresh,
                promised_share=fresh.promised_share * factor,
                promised_low_share=fresh.promised_low_share * factor,
                promised_high_share=fresh.promised_high_share * factor,
            )
            was_over.append(calibration(fresh).is_over_promised)
            is_over.append(calibration(mended).is_over_promised)
        assert np.mean(was_over) == 1
        assert np.mean(is_over) <= 0.3

    def test_one_case_hardly_moves_its_group_from_the_type(self):
        made, groups = self.mixed()
        groups = [("compound", 6.0, "school"), *groups[1:]]
        wild = made.realised_share.copy()
        wild[0] = 3 * made.promised_share[0]
        found = corrections(replace(made, realised_share=wild), groups)
        of_type = found["compound",].factor
        lone = found["compound", 6.0, "school"].factor
        own = 3.0
        assert abs(lone - of_type) < 0.5 * abs(own - of_type)

    def test_an_unknown_group_takes_the_level_above(self):
        found = corrections(*self.mixed())
        assert factor_of(found, ("compound", 8.0, "school")) == found["compound",]
        assert factor_of(found, ("propeller", 8.0, "school")) == found[()]

    def test_too_few_cases_correct_nothing(self):
        made = promises(cases=LEAST_TO_CORRECT - 1)
        found = corrections(made, [("a", 1, "b")] * (LEAST_TO_CORRECT - 1))
        assert found == {}
        assert factor_of(found, ("a", 1, "b")) == NO_CORRECTION

    def test_factors_stay_in_their_bounds(self):
        found = corrections(promises(factor=4.0, error=0.001), [("a", 1, "b")] * 60)
        assert all(f.factor <= HIGHEST_FACTOR for f in found.values())
        found = corrections(promises(factor=-3.0, error=0.001), [("a", 1, "b")] * 60)
        assert all(f.factor >= 0 for f in found.values())

    def test_groups_must_be_as_many_as_promises(self):
        with pytest.raises(ContractError, match="2 groups for 60 promises"):
            corrections(promises(), [("a", 1, "b")] * 2)
