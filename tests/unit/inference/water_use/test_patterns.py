"""Patterns of use that reads allow: the site that explains the reads is found, in any unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.inference.reads.signs import UseSigns
from rightsize.inference.uniforms import uniforms_of
from rightsize.inference.water_use.kernels import INTENSITY_CV
from rightsize.inference.water_use.patterns import _STRAY_SD, patterns_of
from rightsize.inference.water_use.priors import Atoms

SITES = 3  # whose uses are of 0.5, 5 and 50 gpm, all of a minute
U = uniforms_of(["m"], count=64, seed=1)


def atoms(*, is_single=False, factor=1.0):
    gpm = np.array([0.5, 5.0, 50.0]) * factor
    one = np.ones(SITES)
    return Atoms(gpm, one, 3 * gpm, one, 0.5 * one, np.full(SITES, is_single))


def dispersion(small_gpm, interval_min, *, near):
    """Closed form for uses of one minute, half the volume in uses three times as large."""
    x = interval_min
    variance = 2 * (x - 1 + np.exp(-x)) / x**2
    covariance = (1 - np.exp(-x)) ** 2 / x**2
    mean_gpm = 0.5 * small_gpm + 0.5 * 3 * small_gpm
    return (1 + INTENSITY_CV**2) * mean_gpm * (variance - covariance * near)


def signs(small_gpm=5.0, *, interval_min=15.0, log_sd=0.1):
    def one(value):
        return np.array([value], dtype=np.float64)

    far = dispersion(small_gpm, interval_min, near=False)
    return UseSigns(
        interval_min=one(interval_min),
        far_gpm=one(far),
        near_gpm=one(dispersion(small_gpm, interval_min, near=True)),
        total_gpm=one(far),
        log_sd=one(log_sd),
        busy_gpm=one(2 * small_gpm),
        largest_gpm=one(8 * small_gpm),
        sustained_gpm=one(4 * small_gpm),
        top_share=one(0.08),
    )


@pytest.mark.parametrize("small_gpm", [0.5, 5.0, 50.0])
def test_the_site_that_explains_the_reads_is_taken(small_gpm):
    """PLANTED: the dispersions are those of one of three sites, ten times apart."""
    found = patterns_of(atoms(), signs(small_gpm), U)
    assert np.median(found.edge_gpm) == pytest.approx(small_gpm, rel=0.1)
    assert np.quantile(found.edge_gpm, 0.05) > 0.6 * small_gpm
    assert np.quantile(found.edge_gpm, 0.95) < 1.7 * small_gpm
    assert np.median(found.duration_min) == pytest.approx(1.0, rel=0.15)


def test_reads_between_two_sites_move_the_nearest_toward_them():
    """MONOTONE: the more the reads vary, the larger the uses."""
    medians = [
        float(np.median(patterns_of(atoms(), signs(gpm), U).edge_gpm))
        for gpm in (2.0, 4.0, 5.0, 7.0, 12.0)
    ]
    assert medians == sorted(medians)


def test_reads_that_say_little_leave_a_wide_spread():
    sure, unsure = (
        np.log(patterns_of(atoms(), signs(log_sd=sd), U).edge_gpm).std() for sd in (0.1, 1.5)
    )
    assert unsure > 3 * sure


@settings(max_examples=20, deadline=None)
@given(st.floats(0.05, 20.0))
def test_flows_in_another_unit_give_the_same_patterns(factor):
    """LAW: flows times a factor scale intensities and leave ratios, shares and durations."""
    shown = signs()
    scaled = replace(
        shown,
        **{n: v * factor for n, v in vars(shown).items() if n.endswith("_gpm")},
    )
    one, other = patterns_of(atoms(), shown, U), patterns_of(atoms(factor=factor), scaled, U)
    for name in ("unit_gpm", "edge_gpm"):
        np.testing.assert_allclose(
            getattr(other, name), getattr(one, name) * factor, rtol=1e-6, err_msg=name
        )
    for name in ("ratio", "share", "duration_min", "lift", "edge_part", "edge_filled"):
        np.testing.assert_allclose(
            getattr(other, name), getattr(one, name), rtol=1e-6, err_msg=name
        )


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 200.0), st.sampled_from([1.0, 5.0, 15.0, 60.0, 1440.0]))
def test_shares_stay_shares(gpm, interval_min):
    found = patterns_of(atoms(), signs(gpm, interval_min=interval_min), U)
    for value in (found.share, found.edge_part):
        assert ((value >= 0) & (value <= 1)).all()
    assert (found.unit_gpm > 0).all()
    assert (found.lift > 0).all()


def test_where_uses_run_one_at_a_time_the_largest_interval_is_one():
    """PLANTED: a ceiling at 40 gpm; the large use fills intervals of a minute."""
    shown = replace(
        signs(5.0, interval_min=1.0),
        largest_gpm=np.array([40.0]),
        sustained_gpm=np.array([0.0]),
        top_share=np.array([0.5]),
    )
    long = replace(atoms(is_single=True), large_min=np.full(SITES, 60.0))
    found = patterns_of(long, shown, U)
    assert found.is_single.all()
    assert np.median(found.unit_gpm * found.ratio) == pytest.approx(40.0, rel=0.15)
    assert (found.lift == 1.0).all()


def test_a_clump_of_maxima_speaks_for_uses_one_at_a_time():
    """MONOTONE: of two sites alike but for that, the clump decides."""
    both = Atoms(*(np.tile(v[1:2], 2) for v in vars(atoms()).values()))
    both = replace(both, is_single=np.array([True, False]))
    # a tenth of the interval is filled, so the largest is a tenth of the large use of 15 gpm
    shown = replace(signs(), largest_gpm=np.array([1.5]), sustained_gpm=np.array([0.0]))
    share = [
        patterns_of(both, replace(shown, top_share=np.array([top])), U).is_single.mean()
        for top in (0.01, 0.08, 0.4)
    ]
    assert share == sorted(share)
    assert share[-1] > share[0]


@pytest.mark.parametrize("log_sd", [0.2, 0.6, 1.8])
@pytest.mark.parametrize("shown_gpm", [2.5, 11.0])
def test_reads_and_prior_are_weighed_as_two_normal_errors(log_sd, shown_gpm):
    """PUBLISHED: Gelman et al., Bayesian Data Analysis 3rd ed., 2.5 (from memory).

    The posterior mean of a normal prior and one normal observation is the mean weighed by the
    precisions, its variance the inverse of their sum.
    """
    one = replace(
        atoms(),
        small_gpm=np.full(SITES, 5.0),
        large_gpm=np.full(SITES, 15.0),
    )
    many = uniforms_of(["m"], count=4000, seed=1)
    found = patterns_of(one, signs(shown_gpm, log_sd=log_sd), many)
    moved = np.log(found.edge_gpm[:, 0] * found.duration_min[:, 0] / 5.0)
    precision = np.array([_STRAY_SD**-2, log_sd**-2])
    seen = float(np.log(shown_gpm / 5.0))
    assert moved.mean() == pytest.approx(seen * precision[1] / precision.sum(), abs=0.03)
    assert moved.std() == pytest.approx(precision.sum() ** -0.5, rel=0.03)
