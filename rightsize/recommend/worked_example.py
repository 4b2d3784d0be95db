"""The handbook's worked example: one account, ten samples, computed by the tool itself.

The account is invented, with round numbers that a reader can check by hand. The page shows the
result of `decide`, and a test compares them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.site_record import SiteRecord
from rightsize.contracts.sites import SiteBlock
from rightsize.demand.bands import BAND_COUNT
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.recommend.choose import Decision, decide
from rightsize.settings import Tariff, Thresholds

Array = NDArray[np.float64]

SAMPLES: Final = (2, 5, 3)  # of ten, which of the three stories they tell
ACTUAL_GAL: Final = (1_000_000.0, 1_100_000.0, 1_300_000.0)
PEAK_GPM: Final = (60.0, 75.0, 110.0)
SUSTAINED_GPM: Final = (15.0, 18.0, 25.0)
REGISTERED_NOW_GAL: Final = 900_000.0
STEADY_GAL: Final = 20_000.0  # a year of 0.038 gpm that the installed meter does not turn at
REGISTERS: Final = (None, 0.98, 0.98, 0.97, 0.86, 0.97)
"""Share of the actual volume that each meter registers; None for the installed one."""


PLACE_IN: Final = 19.0  # length of the place: the 3 in turbine and its strainer


def _meter(
    kind: Any,
    size_in: float,
    smoc: float,
    loss_psi: float,
    money: tuple[float, ...],
    grade: str = "standard",
) -> Meter:
    price, install, upkeep, life = money
    return Meter(
        meter_type=kind,
        size_in=size_in,
        starting_gpm=smoc / 400,
        min_test_gpm=smoc / 200,
        normal_min_gpm=smoc / 50,
        continuous_gpm=smoc / 2,
        smoc_gpm=smoc,
        registration=((smoc / 400, 0.9), (smoc, 1.0)),
        head_loss_psi_at_smoc=loss_psi,
        price_usd=price,
        install_usd=install,
        upkeep_usd_per_year=upkeep,
        life_years=life,
        source="invented for the handbook",
        grade=grade,
    )


CATALOGUE: Final = Catalogue(
    (
        _meter("turbine", 3.0, 435, 7.0, (1300, 1200, 60, 15)),
        _meter("displacement", 1.5, 100, 15.0, (550, 400, 12, 20)),
        _meter("displacement", 2.0, 160, 15.0, (750, 500, 15, 20)),
        _meter("compound", 2.0, 160, 15.0, (1800, 575, 38, 15)),
        _meter("turbine", 3.0, 435, 7.0, (1300, 1200, 60, 15), "new"),
        _meter("compound", 4.0, 500, 15.0, (4600, 1240, 80, 15)),
    )
)
TARIFF: Final = Tariff.model_validate(
    {
        "discount_rate_pct": 4,
        "classes": {
            "default": {
                "tiers": [{"usd_per_kgal": 5.00}],
                "sewer_usd_per_kgal": 4.00,
                "sewer_return_share": 0.9,
            }
        },
        "fixed_charge_usd_per_month": {1.5: 48, 2: 74, 3: 150, 4: 250},
    }
)


@dataclass(frozen=True)
class WorkedExample:
    """The account, and what the tool says of it."""

    posterior: FlowPosterior
    decision: Decision


def worked_example() -> WorkedExample:
    """Decide on the handbook's account; wear is counted, so that the example shows it."""
    posterior = _posterior()
    decision = decide(
        _block(),
        posterior,
        _site(),
        CATALOGUE,
        TARIFF,
        Thresholds.model_validate({"count_wear": True}),
        units="us",
    )
    return WorkedExample(posterior, decision)


def _posterior() -> FlowPosterior:
    column = _samples(ACTUAL_GAL)
    count = len(column)
    registered = np.stack(
        [
            np.full((count, 1), REGISTERED_NOW_GAL) if share is None else column * share
            for share in REGISTERS
        ],
        axis=-1,
    )
    bands = np.full((1, BAND_COUNT), 1 / BAND_COUNT)
    return FlowPosterior(
        actual_gal_per_year=column,
        registered_gal_per_year=registered,
        installed_gal_per_year=np.full((count, 1), REGISTERED_NOW_GAL),
        peak_10s_gpm=_samples(PEAK_GPM),
        peak_1min_gpm=_samples(PEAK_GPM) * 0.8,
        sustained_60min_gpm=_samples(SUSTAINED_GPM),
        unseen_gal_per_year=np.zeros((count, 1)),
        low_flow_share=np.full((count, 1), 0.2),
        time_share=bands,
        actual_volume_share=bands,
        actual_volume_share_low=bands,
        actual_volume_share_high=bands,
        registered_envelope_low=np.zeros((1, len(REGISTERS))),
        registered_envelope_high=np.full((1, len(REGISTERS)), max(ACTUAL_GAL)),
        steady_unseen_gal_per_year=np.full((count, 1), STEADY_GAL),
    )


def _samples(told: tuple[float, ...]) -> Array:
    """Ten samples of one account, from the three that differ."""
    return np.repeat(told, SAMPLES)[:, None]


def _block() -> ProfileBlock:
    """A year of hourly reads; what the decision does not look at is left empty."""
    one = np.ones(1)
    said: dict[str, Any] = {
        "account_id": ("LM-104",),
        "meter_id": ("M-2207",),
        "customer_class": ("office",),
        "meter_index": np.zeros(1, dtype=np.int64),
        "interval_min": 60 * one,
        "resolution_gal": one,
        "days_covered": 365 * one,
        "reads_used": 8760 * one,
        "registered_gal": REGISTERED_NOW_GAL * one,
        "zero_count": one,
        "max_interval_gpm": 26 * one,
        "max_hour_gpm": 26 * one,
        "max_day_gpm": 9 * one,
    }
    empty = {f.name: np.zeros(1) for f in fields(ProfileBlock)}
    return ProfileBlock(**(empty | said))


def _site() -> SiteBlock:
    return SiteBlock(
        service_kind=("domestic",),
        customer_class=("office",),
        service_line_in=np.array([3.0]),
        spare_head_psi=np.array([20.0]),
        is_critical=np.zeros(1, dtype=bool),
        area=("Mill End",),
        age_years=np.array([np.nan]),
        meter_index=np.zeros(1, dtype=np.int64),
        fire_arrangement=(None,),
        record=replace(
            SiteRecord.blank(1),
            lay_length_in=np.array([PLACE_IN]),
            in_street=("no",),
            backflow=("double_check",),
        ),
    )
