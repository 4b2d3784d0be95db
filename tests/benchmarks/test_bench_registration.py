"""How long curves of a whole catalogue take; printed, never asserted."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.curve import registration_matrix
from rightsize.meters.uncertainty.curve_samples import registration_samples

pytestmark = pytest.mark.bench
METERS = load_catalogue().meters


@pytest.mark.parametrize("flows", [150, 3000])
def test_registration_matrix(benchmark: Any, flows: int) -> None:
    benchmark(registration_matrix, METERS, np.geomspace(1e-3, 3e4, flows))


@pytest.mark.parametrize("flows", [150, 3000])
def test_registration_draws(benchmark: Any, flows: int) -> None:
    flow = np.geomspace(1e-3, 3e4, flows)
    benchmark(
        lambda: registration_samples(
            METERS, flow, 40, np.random.default_rng(1), in_service=True
        )
    )
