"""What a meter asks of the pipe: its own entry first, then the tables, else unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.laying import LAY_LENGTH_IN, laying
from tests.unit.recommend.synthetic import meter

SMALL = meter("displacement", 1.0, 50)


def test_the_table_stands_in_and_the_entry_comes_first() -> None:
    """C700: 1 in is 10 3/4 in long with threaded ends."""
    own = replace(SMALL, lay_length_in=12.0, end_connection="flanged")
    asks = laying((SMALL, own, meter("compound", 8.0, 2000)))
    np.testing.assert_array_equal(asks.lay_length_in, [10.75, 12.0, np.nan])
    assert asks.is_flanged.tolist() == [False, True, True]


def test_ends_are_flanged_from_one_and_a_half_inch() -> None:
    asks = laying((SMALL, meter("displacement", 1.5, 100)))
    assert asks.is_flanged.tolist() == [False, True]


def test_a_rotor_asks_for_straight_pipe_and_a_strainer_a_disc_for_neither() -> None:
    asks = laying((meter("turbine", 2.0, 190), meter("displacement", 2.0, 160)))
    assert asks.straight_run_in.tolist() == [10.0, 0.0]
    assert asks.has_strainer.tolist() == [True, False]


def test_lengths_grow_with_size_and_name_meters_of_the_catalog() -> None:
    sold = {(m.meter_type, m.size_in) for m in load_catalogue().meters}
    for kind, lengths in LAY_LENGTH_IN.items():
        sizes = sorted(lengths)
        assert {(kind, s) for s in sizes} <= sold
        in_order = [lengths[s] for s in sizes]
        grows = in_order if kind != "turbine" else in_order[1:]  # 1 1/2 in has no short class
        assert grows == sorted(grows)
