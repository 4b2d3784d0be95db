"""Gains corrected by past change-outs: which factor, what moves, and that it is said."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.contracts.change_outs.gain_correction import GainCorrection, LearnedFactor
from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.recommend.choose import decide
from rightsize.recommend.gain_correction import corrected, factors_at
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

LIMITS = Thresholds()


def learned(*factors, cases=40):
    return GainCorrection(
        cases, 20, tuple(LearnedFactor(g, f, e, cases) for g, f, e in factors)
    )


@pytest.fixture(scope="module")
def made():
    return fleet(300)


def decided(made, correction):
    block, posterior, sites, meters = made
    return decide(
        block, posterior, sites, meters, tariff(), LIMITS, units="us", correction=correction
    )


@pytest.fixture(scope="module")
def plain(made):
    return decided(made, None)


class TestFactors:
    def test_the_finest_group_that_is_known_counts(self, made):
        meters = made[3].meters
        first, other = (
            meters[0],
            next(m for m in meters if m.meter_type != meters[0].meter_type),
        )
        known = learned(
            ((), 0.9, 0.1),
            ((first.meter_type,), 0.8, 0.05),
            ((first.meter_type, float(first.size_in)), 0.7, 0.04),
            ((first.meter_type, float(first.size_in), "hotel"), 0.6, 0.03),
        )
        factor, error = factors_at(known, ("office", "hotel", "office"), meters)
        at = meters.index(other)
        assert factor[:, 0].tolist() == [0.7, 0.6, 0.7]
        assert error[:, 0].tolist() == [0.04, 0.03, 0.04]
        assert factor[:, at].tolist() == [0.9, 0.9, 0.9]

    def test_a_group_that_nothing_is_known_of_stays_as_it_is(self, made):
        factor, error = factors_at(
            learned((("no such",), 0.5, 0.1)), ("hotel",), made[3].meters
        )
        assert (factor == 1).all()
        assert (error == 0).all()


class TestCorrected:
    def factors(self, posterior, factor, error=0.0):
        shape = posterior.registered_gal_per_year.shape[1:]
        return corrected(posterior, np.full(shape, factor), np.full(shape, error))

    def test_gains_are_multiplied_and_losses_stay(self, made):
        posterior = made[1]
        now = posterior.installed_gal_per_year[:, :, None]
        gain = posterior.registered_gal_per_year - now
        after = self.factors(posterior, 0.5).registered_gal_per_year - now
        assert after[gain > 0] == pytest.approx(0.5 * gain[gain > 0], rel=1e-9)
        assert after[gain <= 0] == pytest.approx(gain[gain <= 0], rel=1e-9)
        assert (gain > 0).any()
        assert (gain < 0).any()

    def test_what_is_not_known_of_a_factor_widens_the_gain_and_keeps_its_mean(self, made):
        posterior = made[1]
        sure, unsure = (self.factors(posterior, 0.6, e) for e in (0.0, 0.2))
        means = [p.registered_gal_per_year.mean() for p in (sure, unsure)]
        now = posterior.installed_gal_per_year.mean()
        assert means[1] - now == pytest.approx(means[0] - now, rel=0.05)
        spreads = [p.registered_gal_per_year.std(axis=0).mean() for p in (sure, unsure)]
        assert spreads[1] > spreads[0]

    def test_a_factor_far_below_nothing_takes_the_gain_and_no_more(self, made):
        posterior = made[1]
        now = posterior.installed_gal_per_year[:, :, None]
        after = self.factors(posterior, -3.0).registered_gal_per_year - now
        assert after.max() <= 0


class TestDecision:
    def test_without_correction_nothing_moves_and_every_factor_is_one(self, made, plain):
        off = decided(made, learned())
        assert off.recommendation.equals(plain.recommendation)
        factor = plain.recommendation["gain_correction_factor"].drop_nulls()
        assert set(factor) == {1.0}
        assert not plain.recommendation["reason"].str.contains("past change-outs").any()

    def test_a_factor_of_one_that_is_known_exactly_moves_nothing(self, made, plain):
        same = decided(made, learned(((), 1.0, 0.0)))
        names = ["verdict", "action", "recommended_type", "recommended_size_in", "reason"]
        assert same.recommendation.select(names).equals(plain.recommendation.select(names))

    def test_halved_gains_are_said_in_every_reason_that_rests_on_them(self, made, plain):
        half = decided(made, learned(((), 0.5, 0.0))).recommendation
        other = half.filter(pl.col("gain_correction_factor") != 1)
        assert other.height > 10
        said = other["reason"].str.contains("its gain is multiplied by 0.5: what past change")
        assert said.all()
        rest = half.filter(pl.col("gain_correction_factor").fill_null(1) == 1)
        assert not rest["reason"].str.contains("past change-outs").any()

    def test_the_same_meter_gains_half(self, made, plain):
        key = ["account_id", "meter_id", "recommended_type", "recommended_size_in",
               "recommended_grade"]  # fmt: skip
        half = decided(made, learned(((), 0.5, 0.0))).recommendation
        both = plain.recommendation.join(half, on=key, suffix="_half").filter(
            pl.col("volume_gain_low_gal_per_year") > 0
        )
        assert both.height > 5
        ratio = both["volume_gain_gal_per_year_half"] / both["volume_gain_gal_per_year"]
        assert ratio.to_list() == pytest.approx([0.5] * both.height, rel=1e-4)

    def test_rows_keep_every_rule_of_the_contract(self, made):
        rows = decided(made, learned(((), 0.6, 0.15))).recommendation
        names = ("customer_name", "area", "service_address")
        assert violations(as_block(rows.with_columns(
            pl.lit(None, pl.String).alias(n) for n in names if n not in rows.columns
        ), RECOMMENDATION), RECOMMENDATION) == []  # fmt: skip

    def test_fewer_meters_are_changed(self, made, plain):
        nothing = decided(made, learned(((), 0.0, 0.0))).recommendation
        changes = [r.filter(pl.col("verdict") == "wrong_type").height
                   for r in (plain.recommendation, nothing)]  # fmt: skip
        assert changes[0] > changes[1]
