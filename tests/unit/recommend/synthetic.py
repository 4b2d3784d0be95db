"""A made-up fleet for tests of the decision: flows are known, meters are simple."""

from __future__ import annotations

from typing import Any

import numpy as np

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.meters.curve import registration_matrix
from rightsize.settings import Tariff
from rightsize.units import MINUTES_PER_YEAR

DISPLACEMENT = {0.625: 20, 0.75: 30, 1.0: 50, 1.5: 100, 2.0: 160}
TURBINE = {2.0: 190, 3.0: 435, 4.0: 750, 6.0: 1600}
COMPOUND = {2.0: 160, 3.0: 320, 4.0: 500, 6.0: 1000}


def meter(meter_type: str, size_in: float, smoc_gpm: float, **changes: Any) -> Meter:
    """A plausible meter: start, minimum and normal flow follow from SMOC by type."""
    divide = {"displacement": 160.0, "compound": 640.0, "turbine": 40.0}[meter_type]
    start = smoc_gpm / divide
    fields: dict[str, Any] = {
        "meter_type": meter_type,
        "size_in": size_in,
        "starting_gpm": start / 2,
        "min_test_gpm": start,
        "normal_min_gpm": 3 * start,
        "continuous_gpm": smoc_gpm / 2,
        "smoc_gpm": smoc_gpm,
        "registration": ((start / 2, 0.6), (start, 0.95), (3 * start, 0.995), (smoc_gpm, 1.0)),
        "head_loss_psi_at_smoc": 15.0 if meter_type != "turbine" else 7.0,
        "price_usd": 12.0 * smoc_gpm**0.85 * (2.0 if meter_type == "compound" else 1.0),
        "install_usd": 60.0 + 90.0 * size_in,
        "upkeep_usd_per_year": 5.0 * size_in,
        "life_years": 15.0,
        "source": "made up for tests",
    } | changes
    return Meter(**fields)


def catalogue() -> Catalogue:
    """Thirteen meters of three types."""
    return Catalogue(
        tuple(
            meter(kind, size, smoc)
            for kind, sizes in (
                ("displacement", DISPLACEMENT), ("turbine", TURBINE), ("compound", COMPOUND),
            )
            for size, smoc in sizes.items()
        )
    )  # fmt: skip


def tariff(**changes: Any) -> Tariff:
    """Two tiers, sewer on 90 % of the water, fixed charges by size."""
    fields: dict[str, Any] = {
        "discount_rate_pct": 4,
        "classes": {
            "default": {
                "tiers": [
                    {"up_to_gal_per_month": 50000, "usd_per_kgal": 5.10},
                    {"usd_per_kgal": 6.40},
                ],
                "sewer_usd_per_kgal": 4.20,
                "sewer_return_share": 0.9,
            }
        },
        "fixed_charge_usd_per_month": {
            0.625: 14, 0.75: 18, 1: 26, 1.5: 48, 2: 74, 3: 150, 4: 250, 6: 500, 8: 800,
        },
    } | changes  # fmt: skip
    return Tariff.model_validate(fields)


def fleet(
    accounts: int,
    *,
    draws: int = 20,
    seed: int = 1,
    meters: Catalogue | None = None,
    spread: float = 0.25,
) -> tuple[ProfileBlock, FlowPosterior, SiteBlock, Catalogue]:
    """Accounts with lognormal flows over three decades behind meters chosen without regard."""
    rng = np.random.default_rng(seed)
    meters = meters or catalogue()
    count = len(meters.meters)
    index = rng.integers(0, count, accounts)
    typical = 10 ** rng.uniform(-1.0, 1.8, accounts)
    factor = np.exp(spread * rng.standard_normal((draws, accounts)))
    centre = typical * factor
    curve = registration_matrix(meters.meters, BAND_CENTRES_GPM)
    shape = np.exp(-0.5 * ((np.log(BAND_CENTRES_GPM) - np.log(centre)[..., None]) / 1.1) ** 2)
    shape /= shape.sum(axis=-1, keepdims=True)
    busy = rng.uniform(0.05, 0.6, accounts)
    flow = shape * BAND_CENTRES_GPM * (busy * MINUTES_PER_YEAR)[None, :, None]
    registered = flow @ curve.T
    rows = np.arange(accounts)
    installed = registered[:, rows, index]
    peak = centre * np.exp(2.6 * 1.1)
    block = profile_block(index, installed.mean(axis=0), peak)
    posterior = FlowPosterior(
        actual_gal_per_year=flow.sum(axis=-1),
        registered_gal_per_year=registered,
        installed_gal_per_year=installed,
        peak_10s_gpm=peak,
        peak_1min_gpm=peak * 0.8,
        sustained_60min_gpm=peak * 0.25,
        unseen_gal_per_year=(flow * (curve[index] == 0)[None]).sum(axis=-1),
        low_flow_share=np.full((draws, accounts), 0.1),
        time_share=shape.mean(axis=0),
        actual_volume_share=shape.mean(axis=0),
        actual_volume_share_low=shape.min(axis=0),
        actual_volume_share_high=shape.max(axis=0),
        registered_envelope_low=np.zeros((accounts, count)),
        registered_envelope_high=flow.sum(axis=-1).max(axis=0)[:, None] * np.ones(count) * 1.1,
    )
    return block, posterior, site_block(index), meters


def site_block(index: np.ndarray, **changes: Any) -> SiteBlock:
    """Plain domestic sites of unknown line, spare head and age."""
    accounts = len(index)
    fields: dict[str, Any] = {
        "service_kind": ("domestic",) * accounts,
        "customer_class": ("office",) * accounts,
        "service_line_in": np.full(accounts, np.nan),
        "spare_head_psi": np.full(accounts, np.nan),
        "is_critical": np.zeros(accounts, dtype=bool),
        "area": tuple(f"zone {k % 4}" for k in range(accounts)),
        "age_years": np.full(accounts, np.nan),
        "meter_index": index,
    } | changes
    return SiteBlock(**fields)


def profile_block(
    index: np.ndarray, registered_gal: np.ndarray, peak: np.ndarray
) -> ProfileBlock:
    """A year of hourly reads, with only what the decision looks at filled in."""
    accounts = len(index)
    one = np.ones(accounts)
    bands = np.zeros((accounts, BAND_COUNT))
    return ProfileBlock(
        account_id=tuple(f"A-{k:05d}" for k in range(accounts)),
        meter_id=tuple(f"M-{k:05d}" for k in range(accounts)),
        customer_class=("office",) * accounts,
        meter_index=index,
        interval_min=60 * one,
        resolution_gal=one,
        days_covered=365 * one,
        reads_used=8760 * one,
        registered_gal=registered_gal,
        band_count=bands,
        band_gal=bands,
        zero_count=one,
        hour_count=bands,
        within_ss=one,
        within_dof=one,
        slot_ss=one,
        slot_step_ss=0 * one,
        lag_ss=np.ones((accounts, 3)),
        lag_count=np.ones((accounts, 3)),
        day_ss=one,
        day_dof=one,
        max_interval_gpm=peak.mean(axis=0) * 0.3,
        max_hour_gpm=peak.mean(axis=0) * 0.3,
        max_day_gpm=peak.mean(axis=0) * 0.1,
        night_count=bands,
        night_zero_count=one,
        peak_register_gpm=np.full(accounts, np.nan),
    )
