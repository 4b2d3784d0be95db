"""Arrays of a catalogue: in its order, made once, and nobody's to change."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.arrays import MeterArrays, meter_arrays

METERS = load_catalogue().meters


@pytest.mark.parametrize("name", [f.name for f in fields(MeterArrays)])
def test_each_array_holds_what_each_meter_says(name):
    assert getattr(meter_arrays(METERS), name).tolist() == [getattr(m, name) for m in METERS]


def test_arrays_follow_the_order_of_the_meters():
    there, back = meter_arrays(METERS), meter_arrays(METERS[::-1])
    assert np.array_equal(there.smoc_gpm, back.smoc_gpm[::-1])


def test_arrays_are_made_once_and_cannot_be_written():
    arrays = meter_arrays(METERS)
    assert meter_arrays(list(METERS)) is arrays
    with pytest.raises(ValueError, match="read-only"):
        arrays.smoc_gpm[0] = 1.0


def test_a_changed_meter_has_arrays_of_its_own():
    dearer = (replace(METERS[0], price_usd=METERS[0].price_usd + 1), *METERS[1:])
    assert meter_arrays(dearer).price_usd[0] == meter_arrays(METERS).price_usd[0] + 1


def test_no_meters_have_empty_arrays():
    assert meter_arrays(()).size_in.shape == (0,)
