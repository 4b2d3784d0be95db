"""Uncertainty of curves: bounded, seeded, wider for old meters at low flow."""

from __future__ import annotations

import numpy as np
import pytest

from rightsize.demand.bands import BAND_CENTRES_GPM
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.curve import registration_matrix
from rightsize.meters.uncertainty.curve_samples import (
    curve_samples,
    in_service_errors,
    new_error_covariance,
    registration_samples,
)
from rightsize.meters.uncertainty.knots import knots_gpm

DRAWS = 2000
SAMPLING = 0.004  # mean of 2000 draws with sd 0.03 stands within 6 standard errors


def test_draws_have_the_promised_shape_and_stay_inside_the_scale(shipped: Catalogue) -> None:
    for in_service in (False, True):
        got = registration_samples(
            shipped.meters,
            BAND_CENTRES_GPM,
            50,
            np.random.default_rng(3),
            in_service=in_service,
        )
        assert got.shape == (50, len(shipped.meters), BAND_CENTRES_GPM.size)
        assert got.min() >= 0
        assert got.max() <= 1.1


def test_the_same_seed_gives_the_same_draws(shipped: Catalogue) -> None:
    one, two = (
        registration_samples(shipped.meters[:3], BAND_CENTRES_GPM, 5, np.random.default_rng(7))
        for _ in range(2)
    )
    assert np.array_equal(one, two)


def test_new_meters_scatter_about_their_curve_and_keep_their_limits(shipped: Catalogue) -> None:
    flow = BAND_CENTRES_GPM
    got = registration_samples(shipped.meters, flow, DRAWS, np.random.default_rng(1))
    curve = registration_matrix(shipped.meters, flow)
    away = np.array(
        [(flow < 0.5 * m.starting_gpm) | (flow > m.min_test_gpm) for m in shipped.meters]
    )
    assert np.abs(got.mean(axis=0) - curve)[away].max() < 0.01
    for row, meter in enumerate(shipped.meters):
        normal = (flow >= meter.normal_min_gpm) & (flow <= meter.smoc_gpm)
        if meter.compound is not None:  # the dip of a compound has its own floor
            normal &= flow > 4 * meter.compound.changeover_rising_gpm
        inside = got[:, row, normal]
        assert inside.min() >= meter.normal_limits[0] - 1e-9, meter.label
        assert inside.max() <= meter.normal_limits[1] + 1e-9, meter.label


def test_meters_in_service_register_less_and_spread_more_at_low_flow(
    shipped: Catalogue,
) -> None:
    meter = shipped.find("displacement", 0.625)
    flow = np.array([meter.min_test_gpm, 5.0])
    new, old = (
        registration_samples([meter], flow, DRAWS, np.random.default_rng(1), in_service=s)[:, 0]
        for s in (False, True)
    )
    assert (old.mean(axis=0) < new.mean(axis=0) - SAMPLING).all()
    assert old[:, 0].std() > new[:, 0].std()
    assert old[:, 0].std() > old[:, 1].std()


def test_wear_raises_the_start_and_never_lowers_it(shipped: Catalogue) -> None:
    meter = shipped.find("displacement", 0.625)
    flow = np.geomspace(0.5 * meter.starting_gpm, meter.min_test_gpm, 200)
    new, worn = (
        registration_samples(
            [meter], flow, DRAWS, np.random.default_rng(1), in_service=True, wear_share=share
        )[:, 0]
        for share in ((0, 0), (1, 1))
    )
    started = [flow[np.argmax(d > 0, axis=1)] for d in (new, worn)]
    # the grid's step and the scatter of two standard deviations either way
    assert np.median(started[0]) == pytest.approx(meter.starting_gpm, rel=0.04)
    assert np.median(started[1]) == pytest.approx(0.75 * meter.min_test_gpm, rel=0.03)
    assert started[0].min() > meter.starting_gpm * np.exp(-0.62)
    assert (worn[:, -1] > 0).all()


def test_full_wear_reaches_the_limit_of_service_at_the_minimum_flow(shipped: Catalogue) -> None:
    # STANDARD READ: Maine 65-407 C.M.R. ch. 62 sec. 3, no meter in service below 90 % there.
    meter = shipped.find("displacement", 0.625)
    flow = np.array([meter.min_test_gpm])
    worn = registration_samples(
        [meter], flow, DRAWS, np.random.default_rng(1), in_service=True, wear_share=(1, 1)
    )
    assert worn.mean() == pytest.approx(0.90, abs=SAMPLING)


def test_a_static_meter_does_not_wear(shipped: Catalogue) -> None:
    meter = shipped.find("ultrasonic", 2)
    flow = np.array([meter.starting_gpm * np.exp(0.41), 50.0])
    old = registration_samples([meter], flow, DRAWS, np.random.default_rng(1), in_service=True)
    assert (old[:, 0, 0] > 0).all()
    assert old[:, 0, 1].mean() == pytest.approx(1.0, abs=SAMPLING)


def test_errors_hang_together_along_a_curve(shipped: Catalogue) -> None:
    meter = shipped.find("displacement", 1)
    flow = np.array([3.0, 5.0, 40.0])
    got = registration_samples([meter], flow, DRAWS, np.random.default_rng(1))[:, 0]
    near, far = np.corrcoef(got.T)[0, 1], np.corrcoef(got.T)[0, 2]
    assert near > 0.9
    assert 0.3 < far < near


def test_in_every_draw_more_flow_registers_no_less(shipped: Catalogue) -> None:
    simple = [m for m in shipped.meters if m.compound is None]
    flow = np.geomspace(1e-3, 1e4, 1500)
    registered = flow * registration_samples(
        simple, flow, 40, np.random.default_rng(2), in_service=True
    )
    assert (np.diff(registered, axis=2) >= -1e-9 * registered[:, :, 1:]).all()


def test_in_service_errors_are_what_the_draws_scatter_by(shipped: Catalogue) -> None:
    meter = shipped.find("displacement", 1)
    at = np.array(knots_gpm(meter))
    curve = registration_matrix([meter], at)[0]
    got = registration_samples([meter], at, 20_000, np.random.default_rng(1), in_service=True)
    error = got[:, 0] / curve - 1
    mean, covariance = in_service_errors(meter)
    # draws are cut at the limits, which takes up to a tenth of the spread
    assert error.mean(axis=0) == pytest.approx(mean, abs=0.002)
    assert error.std(axis=0) == pytest.approx(np.sqrt(np.diag(covariance)), rel=0.15)


def test_curves_can_be_looked_up_with_their_start_apart(shipped: Catalogue) -> None:
    apart = curve_samples(shipped.meters, BAND_CENTRES_GPM, 9, np.random.default_rng(5))
    whole = registration_samples(shipped.meters, BAND_CENTRES_GPM, 9, np.random.default_rng(5))
    assert np.array_equal(apart.cut(BAND_CENTRES_GPM), whole)
    assert apart.start_gpm.shape == (9, len(shipped.meters))
    below = apart.start_gpm[:, :, None] > BAND_CENTRES_GPM
    assert (whole[below] == 0).all()
    assert (whole[~below] > 0).all()
    assert (apart.ratio > 0).all()


def test_no_meters_give_no_curves() -> None:
    assert registration_samples([], np.array([1.0]), 4, np.random.default_rng(1)).shape == (
        4,
        0,
        1,
    )


def test_a_new_meter_is_known_better_than_one_in_service(shipped: Catalogue) -> None:
    """Limits in service are wider than those of a new meter, for every type."""
    for meter in shipped.meters:
        _, in_service = in_service_errors(meter)
        new = new_error_covariance(meter)
        assert (np.diag(new) > 0).all()
        assert (np.diag(new) <= np.diag(in_service) + 1e-12).all()
        assert np.trace(new) < np.trace(in_service), meter.label
