"""The table that the inference looks registration up in, against the curve itself."""

from __future__ import annotations

import numpy as np
import pytest

from rightsize.inference.meter.registered_table import registered_table
from rightsize.meters.curve import registration_ratio
from tests.fleets.catalogue import METERS


@pytest.mark.parametrize("index", range(len(METERS)))
def test_flow_between_the_steps_of_the_table_is_registered_as_by_the_curve(index):
    """ANALYTIC: a curve is straight in log flow between its points; so is the table."""
    meter = METERS[index]
    table = registered_table(tuple(METERS), 2, 1).as_known
    flow_gpm = np.geomspace(1.02 * meter.starting_gpm, meter.smoc_gpm, 997).astype(np.float32)
    found = table.registered_gpm(flow_gpm[None], np.array([index]))[0]
    expected = registration_ratio(flow_gpm.astype(np.float64), meter) * flow_gpm
    error = np.abs(found / expected - 1)
    assert np.quantile(error, 0.95) < 1e-4
    assert error.max() < 0.01  # in the step that holds a point of the curve
