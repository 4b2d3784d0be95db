"""Speed of the decision and of the programme; figures are printed, none is asserted."""

from __future__ import annotations

import resource
import time

import numpy as np
import polars as pl
import pytest

from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.choose import decide
from rightsize.recommend.program.choose_program import choose_program
from rightsize.recommend.program.options import Lots
from rightsize.settings import Thresholds
from tests.unit.recommend.plain import plain_account
from tests.unit.recommend.synthetic import fleet, meter, tariff

pytestmark = pytest.mark.bench


def forty_meters() -> Catalogue:
    """Forty entries: ten grades of four meters."""
    rated = (
        ("displacement", 1.0, 50), ("displacement", 2.0, 160), ("turbine", 3.0, 435),
        ("compound", 4.0, 500),
    )  # fmt: skip
    return Catalogue(
        tuple(
            meter(kind, size, smoc * (1 + 0.02 * g), grade=f"grade {g}")
            for kind, size, smoc in rated
            for g in range(10)
        )
    )


def seconds_of_choice(accounts: int) -> float:
    """Processor time of the decision for that many accounts, under forty meters."""
    meters, limits, rates = forty_meters(), Thresholds(), tariff()
    block, posterior, sites, _ = fleet(accounts, draws=40, meters=meters)
    began = time.process_time()
    decide(block, posterior, sites, meters, rates, limits, units="us")
    return time.process_time() - began


def test_hundred_thousand_accounts_under_forty_meters(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Baseline: `tests.unit.recommend.plain`, loops over accounts, meters and draws."""
    meters, limits, rates = forty_meters(), Thresholds(), tariff()
    block, posterior, sites, _ = fleet(4000, draws=40, meters=meters)
    blocks = 25
    began, worked = time.perf_counter(), time.process_time()
    rows = 0
    for _ in range(blocks):
        rows += decide(
            block, posterior, sites, meters, rates, limits, units="us"
        ).candidate.height
    seconds, worked = time.perf_counter() - began, time.process_time() - worked
    peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    began = time.process_time()
    for a in range(20):
        plain_account(a, block, posterior, sites, meters, rates, limits)
    plain_seconds = (time.process_time() - began) / 20 * blocks * 4000
    with capsys.disabled():
        print(
            f"\n{blocks * 4000} accounts x 40 meters x 40 draws: {seconds:.1f} s by the clock, "
            f"{worked:.1f} s of one processor, {rows} candidate rows, "
            f"peak {peak_gib:.2f} GiB; plain loops would take "
            f"{plain_seconds:.0f} s, {plain_seconds / worked:.0f} times as long"
        )
    assert rows > 0


@pytest.mark.parametrize(
    ("name", "limits"),
    [
        ("budget", {}),
        ("budget and crews", {"crews": 3}),
        ("budget and lots", {"lots": Lots(5000.0, 10, 20)}),
        ("budget, crews and lots", {"crews": 4, "lots": Lots(5000.0, 10)}),
    ],
)
def test_programme_over_twenty_thousand_candidates(
    name: str, limits: dict[str, object], capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(0)
    count = 20_000
    cost = rng.lognormal(7, 0.9, count).round(0)
    benefit = cost * rng.lognormal(-2, 0.8, count)
    frame = pl.DataFrame(
        {
            "account_id": [f"A{k // 2}" for k in range(count)],
            "meter_id": [f"M{k // 2}" for k in range(count)],
            "meter_type": ["turbine"] * count,
            "size_in": rng.choice([1.0, 2.0, 3.0, 6.0], count),
            "change_cost_usd": cost,
            "net_benefit_usd_per_year": benefit,
            "net_present_value_usd": benefit * 11.1,
            "area": [f"zone {k // 2 % 57}" for k in range(count)],
        }
    )
    began, worked = time.perf_counter(), time.process_time()
    program = choose_program(frame, budget_usd=1.5e6, with_curve=False, **limits)  # type: ignore[arg-type]
    seconds, worked = time.perf_counter() - began, time.process_time() - worked
    best = program.ranking["net_present_value_usd"].max()
    with capsys.disabled():
        print(
            f"\n{name}: {seconds:.1f} s by the clock, {worked:.1f} s worked, "
            f"gap {program.gap_share:.1e}, {program.selected.height} change-outs, present "
            f"value {program.net_present_value_usd:,.0f} USD, best ranking {best:,.0f} USD"
        )
    assert program.cost_usd <= 1.5e6
