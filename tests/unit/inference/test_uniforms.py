"""Each use of chance has its own Sobol dimension, and follows from seed and meter alone."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from scipy.stats import kstest

from rightsize.inference.uniforms import Uniforms, uniforms_of

NAMES = [f.name for f in fields(Uniforms)]


@pytest.mark.parametrize("name", NAMES)
def test_numbers_are_evenly_spread(name):
    value = getattr(uniforms_of([f"m{k}" for k in range(50)], count=64, seed=3), name)
    assert value.shape == (64, 50)
    assert kstest(value.ravel(), "uniform").statistic < 0.03


def test_no_two_uses_share_a_dimension():
    u = uniforms_of([f"m{k}" for k in range(200)], count=64, seed=3)
    columns = np.stack([getattr(u, name).ravel() for name in NAMES])
    apart = np.abs(np.corrcoef(columns) - np.eye(len(NAMES)))
    assert apart.max() < 0.05


def test_an_account_keeps_its_numbers_in_another_block():
    whole = uniforms_of(["a", "b", "c"], count=16, seed=3)
    alone = uniforms_of(["c"], count=16, seed=3)
    picked = whole.of(np.array([2]))
    for name in NAMES:
        assert np.array_equal(getattr(picked, name), getattr(alone, name))


def test_another_seed_gives_other_numbers():
    one, other = (uniforms_of(["a"], count=16, seed=s) for s in (3, 4))
    assert not np.allclose(one.pattern, other.pattern)
