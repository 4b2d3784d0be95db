"""Weights of samples given measurements, against the same by a sort, one at a time."""

import numpy as np
import pytest

from rightsize.knowing.weights import NEAREST, likeness


def plain(drawn, seen, own=None):
    """Weights [J] of one measurement, by the definition."""
    step = seen - drawn
    apart = np.where(np.isnan(step), 0.0, step**2).sum(axis=-1)
    if own is not None:
        others = np.sort(np.delete(apart, own))
        apart[own] = max(apart[own], others[min(NEAREST, len(others)) - 1])
    nearest = np.sort(apart)[: min(NEAREST, len(apart))]
    weight = np.exp(-(apart - nearest[0]) / 2 / max(nearest[-1], 1.0))
    return weight / weight.sum()


@pytest.mark.parametrize("samples", [2, 3, 4, 5, 64])
@pytest.mark.parametrize("readings", [0, 1, 3])
@pytest.mark.parametrize("own_as_nearest", [False, True])
def test_weights_are_those_of_the_definition(samples, readings, own_as_nearest):
    """LAW: few samples and many, nothing measured and some, each truth in turn."""
    rng = np.random.default_rng([samples, readings])
    drawn = 3 * rng.standard_normal((5, samples, readings)).astype(np.float32)
    seen = drawn + rng.standard_normal(drawn.shape).astype(np.float32)
    seen[2:4, :, :1] = np.nan
    found = likeness(drawn, seen, own_as_nearest=own_as_nearest)
    for account in range(5):
        for truth in range(samples):
            own = truth if own_as_nearest else None
            wanted = plain(drawn[account], seen[account, truth], own)
            assert found[account, truth] == pytest.approx(wanted, rel=1e-4, abs=1e-6)
