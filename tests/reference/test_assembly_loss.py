"""Head loss beside the meter, against the `fluids` library (Crane TP-410) and by hand."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
from fluids.core import dP_from_K
from fluids.fittings import contraction_conical, diffuser_conical

from rightsize.meters.assembly_loss import (
    REDUCER_ANGLE_DEG,
    STRAINER_K,
    added_loss_psi_per_gpm2,
    reducer_k,
    velocity_head_psi_per_gpm2,
)
from tests.unit.recommend.synthetic import meter

PA_PER_PSI = 6894.757293
WATER_KG_M3 = 999.1  # at 15 C
M3_S_PER_GPM = 3.785411784e-3 / 60
METERS_PER_IN = 0.0254
ANY_FRICTION = 0.015  # Crane's cones up to 45 degrees do not depend on it


@pytest.mark.parametrize("bore_in", [0.625, 1.0, 2.0, 6.0])
@pytest.mark.parametrize("flow_gpm", [1.0, 40.0, 300.0])
def test_velocity_head_is_that_of_fluids(bore_in: float, flow_gpm: float) -> None:
    speed = flow_gpm * M3_S_PER_GPM / (pi / 4 * (bore_in * METERS_PER_IN) ** 2)
    theirs = dP_from_K(K=1.0, rho=WATER_KG_M3, V=speed) / PA_PER_PSI
    ours = velocity_head_psi_per_gpm2(np.array(bore_in)) * flow_gpm**2
    assert ours == pytest.approx(theirs, rel=1e-3)


@pytest.mark.parametrize("beta", [0.3125, 0.5, 0.75, 0.999])
def test_reducers_are_those_of_fluids(beta: float) -> None:
    cone = {"angle": REDUCER_ANGLE_DEG, "fd": ANY_FRICTION, "method": "Crane"}
    theirs = contraction_conical(Di1=1.0, Di2=beta, **cone)
    theirs += diffuser_conical(Di1=beta, Di2=1.0, **cone)
    assert reducer_k(np.array(beta)) == pytest.approx(theirs, rel=1e-6)


def test_the_whole_by_hand() -> None:
    """HAND: 2 in meters at 100 gpm, 10.2 ft/s, a velocity head of 1.62 ft or 0.70 psi.

    A strainer takes two of them. A 4 in line adds reducers: 0.8 x 0.2588 x 0.75 and
    2.6 x 0.2588 x 0.5625, 0.534 of them.
    """
    meters = [meter("displacement", 2.0, 160), meter("turbine", 2.0, 190)]
    lines = np.array([np.nan, 2.0, 1.5, 4.0])
    psi = added_loss_psi_per_gpm2(meters, lines) * 100**2
    head = 0.702
    plain, strained = psi[:, 0], psi[:, 1]
    np.testing.assert_allclose(plain, [0, 0, 0, 0.534 * head], rtol=2e-3)
    np.testing.assert_allclose(strained - plain, STRAINER_K * head, rtol=2e-3)


def test_small_meters_have_a_screen_of_their_own() -> None:
    small = added_loss_psi_per_gpm2([meter("turbine", 1.0, 50)], np.array([1.0]))
    assert small.tolist() == [[0.0]]
