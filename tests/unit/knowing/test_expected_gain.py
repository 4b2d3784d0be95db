"""Value of a measurement against the closed form of preposterior analysis."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from rightsize.knowing.expected_gain import MOST_TRUTHS, expected_gain

ACCOUNTS = 1500  # their mean has a standard error below 1 % of the spread
SAMPLES = 64


def unit_normal_loss(distance):
    """ANALYTIC: L(d) = phi(d) - d (1 - Phi(d)), the unit normal loss integral."""
    return norm.pdf(distance) - distance * norm.sf(distance)


def closed_form(mean, sd, error):
    """ANALYTIC: normal prior, normal error, keep (0) or change: Raiffa and Schlaifer 1961."""
    preposterior_sd = sd**2 / np.hypot(sd, error)
    return preposterior_sd * unit_normal_loss(abs(mean) / preposterior_sd)


def simulated(mean, sd, error, *, seed=1, samples=SAMPLES, accounts=ACCOUNTS):
    """The engine's mean over accounts whose samples are drawn anew from the same prior."""
    rng = np.random.default_rng(seed)
    benefit = rng.normal(mean, sd, (accounts, samples)).astype(np.float32)
    value = np.stack([np.zeros_like(benefit), benefit], axis=2)

    def decide(weights):
        return (np.einsum("ptj,pj->pt", weights, benefit) > 0).astype(np.int64)

    present = np.full(accounts, int(mean > 0))
    return expected_gain(benefit[:, :, None] / error, value, present, decide)


@pytest.mark.parametrize(
    ("mean", "error"), [(0.0, 0.5), (-0.5, 0.3), (-0.5, 1.0), (0.7, 0.5), (0.0, 2.0)]
)
def test_agrees_with_the_closed_form_of_normal_prior_and_normal_error(mean, error):
    found = simulated(mean, 1.0, error).usd.mean()
    assert found == pytest.approx(closed_form(mean, 1.0, error), abs=0.035)


def test_an_exact_measurement_approaches_perfect_information():
    """ANALYTIC: s L(|m| / s); a few dozen samples leave a little of it out."""
    found = simulated(-0.5, 1.0, 1e-3).usd.mean()
    perfect = unit_normal_loss(0.5)
    assert 0.85 * perfect < found <= 1.02 * perfect


def test_a_measurement_that_says_nothing_is_worth_nothing():
    found = simulated(-0.5, 1.0, 1e4)
    assert found.usd.mean() == pytest.approx(0, abs=0.01)


def test_the_odds_of_another_choice_are_those_of_the_preposterior():
    """ANALYTIC: the preposterior mean is N(m, s^4 / (s^2 + e^2)), so it passes 0 as often."""
    found = simulated(-0.5, 1.0, 0.5)
    assert found.odds_of_other.mean() == pytest.approx(
        norm.cdf(-0.5 * np.hypot(1, 0.5)), abs=0.04
    )
    assert set(found.other) <= {0, 1}


def test_only_the_first_samples_are_taken_for_the_truth_and_all_of_them_weigh():
    few = simulated(0.0, 1.0, 0.5, samples=MOST_TRUTHS, accounts=400).usd.mean()
    more = simulated(0.0, 1.0, 0.5, samples=2 * MOST_TRUTHS, accounts=400).usd.mean()
    assert more == pytest.approx(few, abs=0.05)
