"""The kernels that are shipped are those that are made."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.handbook.kernels import PLACE
from pipelines.work.code_version import deciding_sources
from rightsize.inference.water_use import kept_kernels
from rightsize.inference.water_use.kept_kernels import as_file, from_file, kernel_at
from rightsize.inference.water_use.kernel_choice import KINDS, make_kernels
from rightsize.inference.water_use.kernels import INTENSITY_CV, KernelKind, pulse_kernel

SINGLE = 2.0**-22  # relative: the last digits of single precision, between kinds of processors


def test_all_kernels_of_a_sweep_are_shipped():
    assert set(from_file(PLACE.read_bytes())) == set(KINDS)


@pytest.mark.parametrize("kind", KINDS, ids=str)
def test_a_shipped_kernel_is_the_one_that_is_made(kind):
    """Run `python -m pipelines.handbook.kernels` where this fails."""
    held, made = from_file(PLACE.read_bytes())[kind], pulse_kernel(kind)
    np.testing.assert_allclose(held.single_mass, made.single_mass, rtol=SINGLE, atol=1e-12)
    np.testing.assert_allclose(held.idle, made.idle, rtol=1e-9, atol=1e-12)


def test_nothing_is_lost_in_the_file():
    kinds = KINDS[:2]
    found = from_file(as_file(kinds))
    for kind in kinds:
        assert (found[kind].single_mass == pulse_kernel(kind).single_mass).all()
        assert (found[kind].idle == pulse_kernel(kind).idle).all()


def test_a_kernel_that_is_not_shipped_is_made():
    kind = KernelKind(INTENSITY_CV, 2.0, 0.37)
    assert kernel_at(kind) is pulse_kernel(kind)


def test_a_sweep_makes_no_kernel(monkeypatch):
    def fail(kind):
        raise AssertionError(f"{kind} is made")

    monkeypatch.setattr(kept_kernels, "pulse_kernel", fail)
    make_kernels()


def test_another_file_of_kernels_is_another_version_of_the_code():
    assert "rightsize/inference/water_use/kernels.bin" in deciding_sources()
