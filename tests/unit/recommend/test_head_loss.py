"""The loss of meter, strainer, reducers and backflow assembly against the available drop."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rightsize.contracts.site_record import SiteRecord
from tests.unit.recommend.one_account import decided, lost_by, row, sold

OTHER = sold("displacement", 2.0, 160, 400)
PAYS = [[100_000.0] * 10]


def told(spare_psi: float, backflow: str | None = None, **site: Any) -> Any:
    record = replace(SiteRecord.blank(1), backflow=(backflow,))
    return decided(
        [OTHER], PAYS, peak_gpm=80.0, spare_head_psi=np.array([spare_psi]), record=record,
        **site,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("backflow", "takes_psi"),
    [(None, 0.0), ("none", 0.0), ("double_check", 5.0), ("reduced_pressure", 12.0)],
)
def test_a_backflow_assembly_takes_its_share(backflow: str | None, takes_psi: float) -> None:
    """HAND: half of SMOC takes a quarter of 15 psi: 3.75 psi."""
    enough = told(3.75 + takes_psi + 0.01, backflow)
    assert lost_by(enough, 1) is None
    assert row(enough)["assembly_loss_at_peak_psi"] == pytest.approx(3.75 + takes_psi)
    assert row(enough)["head_loss_at_peak_psi"] == pytest.approx(3.75)
    assert lost_by(told(3.75 + takes_psi - 0.01, backflow), 1) == "head_loss"


def test_reducers_on_a_larger_line_take_theirs() -> None:
    """HAND: 0.534 velocity heads of 0.449 psi at 80 gpm (see tests/reference)."""
    line = {"service_line_in": np.array([4.0]), "fire_arrangement": ("none",)}
    assert lost_by(told(3.9, **line), 1) == "head_loss"
    assert lost_by(told(4.0, **line), 1) is None
    assert lost_by(told(3.9, service_line_in=np.array([2.0])), 1) is None


def test_a_strainer_takes_its_share_of_a_turbine() -> None:
    """HAND: 80 of 190 gpm takes 0.177 of 7 psi; the strainer two heads of 0.449 psi."""
    rotor = sold("turbine", 1.5, 190, 400)
    loss = row(decided([rotor], PAYS, peak_gpm=80.0))["assembly_loss_at_peak_psi"]
    bore = (2.0 / 1.5) ** 4  # the same flow through 1.5 in
    assert loss == pytest.approx(7 * (80 / 190) ** 2 + 2 * 0.449 * bore, rel=3e-3)
