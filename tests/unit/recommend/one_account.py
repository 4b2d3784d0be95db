"""One account behind a 2 in turbine, with round figures that a hand works out."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.recommend.choose import Decision, decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, meter, profile_block, site_block, tariff

FLAT = tariff(
    discount_rate_pct=0,
    classes={"default": {"tiers": [{"usd_per_kgal": 10.0}]}},
    fixed_charge_usd_per_month={},
)
"""10 USD a thousand gallons and no interest: figures that a hand works out."""


NO_WORK = dict.fromkeys(
    ("fitting_usd_per_in", "repipe_usd_per_in", "strainer_usd_per_in", "traffic_control_usd"),
    0.0,
)
"""Limits under which no work at the site costs."""
STEADY = {"count_wear": False, "count_leak_repair": False}
"""Limits under which every year is like the first: a hand works it out."""
NO_SITE_COSTS = NO_WORK | {"tap_and_line_usd_per_in": 0.0}
"""The same, and a larger meter needs no new line: a change costs what the meter costs."""


def sold(kind: str, size_in: float, smoc_gpm: float, cost_usd: float, **changes: Any) -> Meter:
    money = {"price_usd": cost_usd, "install_usd": 0.0, "upkeep_usd_per_year": 0.0}
    return meter(kind, size_in, smoc_gpm, life_years=20.0, **(money | changes))


TURBINE = sold("turbine", 2.0, 190, 1000)


def decided(
    others: list[Meter],
    gains_gal: list[list[float]],
    *,
    peak_gpm: float = 40.0,
    limits: dict[str, Any] | None = None,
    installed: Meter = TURBINE,
    sustained_gpm: float | None = None,
    block: dict[str, Any] | None = None,
    steady_gpm: list[float] | None = None,
    **site: Any,
) -> Decision:
    """One account that draws 1,000,000 gal a year, of which its meter registers 800,000.

    `gains_gal` are, for each other meter, what it registers more in each of the samples. What
    `block` says of the reads and `site` of the site replaces what is usual.
    """
    meters = Catalogue((installed, *others))
    count = len(gains_gal[0])
    _, like, _, _ = fleet(1, draws=count, meters=meters)
    registered = 800_000 + np.array([[0.0] * count, *gains_gal]).T[:, None, :]
    flow = np.full((count, 1), peak_gpm)
    posterior = replace(
        like,
        actual_gal_per_year=np.full((count, 1), 1e6),
        registered_gal_per_year=registered,
        installed_gal_per_year=np.full((count, 1), 8e5),
        peak_10s_gpm=flow,
        peak_1min_gpm=flow,
        sustained_60min_gpm=flow * 0.2 if sustained_gpm is None else 0 * flow + sustained_gpm,
        registered_envelope_low=np.zeros((1, len(meters.meters))),
        registered_envelope_high=np.full((1, len(meters.meters)), 2e6),
        steady_gpm=None if steady_gpm is None else np.array(steady_gpm)[:, None],
    )
    index = np.zeros(1, dtype=np.int64)
    reads = replace(profile_block(index, np.array([8e5]), flow), **(block or {}))
    return decide(
        reads, posterior, site_block(index, **site), meters, FLAT,
        Thresholds.model_validate(NO_WORK | STEADY | (limits or {})), units="us",
    )  # fmt: skip


def row(decision: Decision) -> dict[str, Any]:
    return decision.recommendation.row(0, named=True)


def lost_by(decision: Decision, at: int) -> str | None:
    return decision.candidate.row(at, named=True)["rejected_because"]
