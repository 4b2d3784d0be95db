import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from rightsize.inference.meter.envelope import _hull, envelope_of
from rightsize.meters.curve import registration_ratio
from tests.fleets.catalogue import METERS

BEND = 2e-3  # the curve's bend between envelope points, see registered_flow_points

flows = st.lists(st.floats(0, 60), min_size=1, max_size=40)
meters = st.sampled_from(METERS)


def _registered_mean(flow, meter):
    return float(np.mean(registration_ratio(flow, meter) * flow))


@given(flow=flows, meter=meters)
@settings(max_examples=200, deadline=None)
def test_envelope_contains_any_flows_of_an_interval(flow, meter):
    q = np.array(flow)
    bounds = envelope_of(meter, largest_gpm=100.0)
    registered = _registered_mean(q, meter)
    assert bounds.low(q.mean()) <= registered * (1 + BEND) + 1e-9
    assert registered <= bounds.high(q.mean()) * (1 + BEND) + 1e-9


@given(flow=flows, installed=meters, candidate=meters)
@settings(max_examples=200, deadline=None)
def test_what_another_meter_would_register_lies_inside_its_bounds(flow, installed, candidate):
    q = np.array(flow)
    shown = _registered_mean(q, installed)
    seen_by = envelope_of(installed, largest_gpm=100.0)
    bounds = envelope_of(candidate, largest_gpm=100.0)
    low = bounds.low(seen_by.least_actual(shown))
    high = bounds.high(seen_by.most_actual(shown))
    registered = _registered_mean(q, candidate)
    assert low <= registered * (1 + 3 * BEND) + 1e-6
    assert registered <= high * (1 + 3 * BEND) + 1e-6


def test_an_hour_of_zero_may_hide_flow_up_to_the_start_and_no_more():
    turbine = next(m for m in METERS if m.meter_type == "turbine")
    seen_by = envelope_of(turbine, largest_gpm=100.0)
    assert seen_by.most_actual(np.array(0.0)) == turbine.starting_gpm
    assert seen_by.least_actual(np.array(0.0)) == 0.0


@given(
    y=st.lists(st.floats(-50, 50).map(lambda v: round(v, 1)), min_size=4, max_size=30),
    x0=st.floats(0, 5),
)
@settings(max_examples=100, deadline=None)
def test_hulls_are_those_of_another_library(y, x0):
    """LIBRARY: scipy.spatial.ConvexHull (Qhull): both hulls at every point."""
    x = x0 + np.arange(len(y)) ** 1.3
    points = np.column_stack([x, y])
    if np.linalg.matrix_rank(points - points[0], tol=1e-6) < 2:
        return
    outside = ConvexHull(points).equations  # normal and offset of every side
    for sign in (1.0, -1.0):
        kept = _hull(x, np.array(y), sign=sign)
        height = np.interp(x, x[kept], points[kept, 1])
        assert (sign * (points[:, 1] - height) >= -1e-9).all()
        beyond = points[kept] @ outside[:, :2].T + outside[:, 2]
        assert np.allclose(beyond.max(axis=1), 0, atol=1e-9)


def test_more_than_can_pass_is_read_as_the_largest_flow():
    meter = METERS[0]
    seen_by = envelope_of(meter, largest_gpm=10.0)
    assert seen_by.least_actual(np.array(25.0)) == 10.0
    assert seen_by.most_actual(np.array(25.0)) == 10.0
