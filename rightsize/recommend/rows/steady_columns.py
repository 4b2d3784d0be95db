"""Columns that split a gain into use and steady flow, and say what repair takes away."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.samples import mean
from rightsize.recommend.rows.row_columns import bounded, samples_at_meter
from rightsize.recommend.steady_money import SteadyMoney
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def steady_columns(
    samples: BenefitSamples, chosen: Index, renewed_share: Array
) -> dict[str, Array]:
    """Use and steady flow of the revenue gain, and the net benefit without the latter.

    Parameters
    ----------
    samples : BenefitSamples
        Of A accounts; a steady flow that is not given is none.
    chosen : int array [A]
        Meter to install, or the installed one, which gains nothing.
    renewed_share : array [A]
        Share of the life in which replacement in kind would bring its gain anyway.
    """
    gain = samples_at_meter(samples.volumetric_gain_usd, chosen)
    net = samples_at_meter(samples.net_benefit_usd, chosen)
    renewal = np.asarray(samples.renewal_gain_usd, dtype=np.float64)
    money = samples.steady or _none(gain)
    steady = np.asarray(money.part_usd(gain), dtype=np.float64)
    lost = money.lost_at(gain, chosen) - renewed_share * money.lost_at(renewal, chosen)
    left = steady - renewed_share * money.part_usd(renewal) - lost
    return {
        **bounded("use_gain_usd_per_year", gain - steady),
        **bounded("steady_gain_usd_per_year", steady),
        "leak_repair_usd_per_year": -mean(lost),
        "net_benefit_without_leak_usd_per_year": mean(net - left),
    }


def _none(gain: Array) -> SteadyMoney:
    return SteadyMoney(np.zeros(gain.shape), None, np.zeros(0, dtype=np.int64))
