"""Speed of the whole decision against a plain loop over accounts and meters."""

from __future__ import annotations

import resource
import time

import pytest

from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.choose import decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, meter, tariff

pytestmark = pytest.mark.bench


def forty_meters() -> Catalogue:
    """Forty entries: ten grades of four meters."""
    rated = (("displacement", 1.0, 50), ("displacement", 2.0, 160), ("turbine", 3.0, 435),
             ("compound", 4.0, 500))  # fmt: skip
    return Catalogue(
        tuple(
            meter(kind, size, smoc * (1 + 0.02 * g), grade=f"grade {g}")
            for kind, size, smoc in rated
            for g in range(10)
        )
    )


def test_hundred_thousand_accounts_under_forty_meters(
    capsys: pytest.CaptureFixture[str],
) -> None:
    meters, limits, rates = forty_meters(), Thresholds(), tariff()
    block, posterior, sites, _ = fleet(4000, draws=40, meters=meters)
    blocks = 25
    began = time.perf_counter()
    rows = 0
    for _ in range(blocks):
        rows += decide(block, posterior, sites, meters, rates, limits).candidate.height
    seconds = time.perf_counter() - began
    peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    with capsys.disabled():
        print(
            f"\n{blocks * 4000} accounts x 40 meters x 40 draws: {seconds:.1f} s on one "
            f"thread, {rows} candidate rows, peak {peak_gib:.2f} GiB"
        )
    assert rows > 0
