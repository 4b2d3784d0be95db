"""Curves: log-linear between points, nothing below the start, flat above the last point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.meters.curve import registration_matrix, registration_ratio

SHIPPED = load_catalogue().meters
GRID_GPM = np.geomspace(1e-3, 3e4, 4000)


@pytest.fixture(scope="module")
def meter(shipped: Catalogue) -> Meter:
    return replace(
        shipped.find("displacement", 1),
        starting_gpm=0.1,
        registration=((0.1, 0.5), (1.0, 0.9), (10.0, 1.0)),
    )


def test_between_points_the_ratio_is_linear_in_log_flow(meter: Meter) -> None:
    # HAND: halfway in log flow from 1 to 10 is sqrt(10), halfway from .9 to 1 is .95
    got = registration_ratio(np.array([np.sqrt(10), np.sqrt(0.1)]), meter)
    assert got == pytest.approx([0.95, 0.7])


def test_below_the_start_nothing_is_registered(meter: Meter) -> None:
    assert (registration_ratio(np.array([0.0, 1e-9, 0.0999]), meter) == 0).all()
    at_start = registration_ratio(np.array([0.1]), meter)[0]
    assert at_start == pytest.approx(0.5)  # its logarithm is computed, so it may miss the point


def test_above_the_last_point_the_ratio_is_held(meter: Meter) -> None:
    assert (registration_ratio(np.array([10.0, 11.0, 1e6]), meter) == 1.0).all()


def test_the_matrix_is_the_curves_in_order() -> None:
    got = registration_matrix(SHIPPED, GRID_GPM)
    for row, meter in enumerate(SHIPPED):
        assert np.array_equal(got[row], registration_ratio(GRID_GPM, meter))


def test_the_shape_of_the_flow_is_kept(meter: Meter) -> None:
    assert registration_ratio(np.ones((2, 3, 4)), meter).shape == (2, 3, 4)


@pytest.mark.parametrize("meter", SHIPPED, ids=lambda m: m.label)
def test_more_flow_never_registers_less(meter: Meter) -> None:
    registered = GRID_GPM * registration_ratio(GRID_GPM, meter)
    assert (np.diff(registered) >= -1e-9 * registered[1:]).all()


@pytest.mark.parametrize("meter", SHIPPED, ids=lambda m: m.label)
def test_every_shipped_curve_stays_on_the_scale(meter: Meter) -> None:
    ratio = registration_ratio(GRID_GPM, meter)
    assert ratio.min() == 0
    assert 0.98 <= ratio.max() <= 1.1


points = st.lists(
    st.tuples(st.floats(0.01, 1e4), st.floats(0, 1.1)),
    min_size=1,
    max_size=8,
    unique_by=lambda p: p[0],
)


@given(points=points, start=st.floats(0.001, 1e4), flow=st.floats(0, 1e6))
def test_no_curve_leaves_the_range_of_its_points(
    points: list[tuple[float, float]], start: float, flow: float
) -> None:
    meter = replace(SHIPPED[0], registration=tuple(sorted(points)), starting_gpm=start)
    got = float(registration_ratio(np.array([flow]), meter)[0])
    ratios = [a for _, a in points]
    if flow < start:
        assert got == 0
    else:
        assert min(ratios) - 1e-12 <= got <= max(ratios) + 1e-12


@given(scale=st.floats(0.01, 100), flow=st.floats(0.02, 1e3))
def test_a_change_of_unit_changes_nothing(scale: float, flow: float) -> None:
    meter = SHIPPED[0]
    scaled = replace(
        meter,
        starting_gpm=meter.starting_gpm * scale,
        registration=tuple((q * scale, a) for q, a in meter.registration),
    )
    if abs(flow / meter.starting_gpm - 1) > 1e-9:
        assert registration_ratio(np.array([flow * scale]), scaled)[0] == pytest.approx(
            registration_ratio(np.array([flow]), meter)[0], abs=1e-9
        )
