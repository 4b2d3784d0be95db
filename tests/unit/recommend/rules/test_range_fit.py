"""Limits of flow by rating and by head."""

from __future__ import annotations

import numpy as np
import pytest

from rightsize.meters.head_loss import head_loss_psi
from rightsize.recommend.rules.range_fit import flow_limits
from tests.unit.recommend.synthetic import meter

METERS = (meter("displacement", 2.0, 160), meter("turbine", 3.0, 435))


def test_limits_are_the_ratings_less_their_margins() -> None:
    """HAND: 10 % off SMOC, 20 % off the continuous rating."""
    limits = flow_limits(
        METERS, np.array([20.0]), smoc_margin_share=0.1, continuous_margin_share=0.2
    )
    np.testing.assert_allclose(limits.peak_gpm, [144.0, 391.5])
    np.testing.assert_allclose(limits.sustained_gpm, [64.0, 174.0])


def test_head_limit_is_where_the_spare_head_is_used_up() -> None:
    spare = np.array([0.0, 3.75, 20.0])
    limits = flow_limits(METERS, spare)
    for a, psi in enumerate(spare):
        for m, entry in enumerate(METERS):
            assert head_loss_psi(limits.head_gpm[a, m], entry) == pytest.approx(psi)
    assert limits.head_gpm[1, 0] == pytest.approx(80.0)  # a quarter of the loss at half of SMOC
