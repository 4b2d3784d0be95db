"""Rows of `gain_sample`: joint samples of what each change brings, for totals of any kind.

Sample j of every account belongs together. What accounts have in common is in it once: the
curves of a type and size (sample j of all of them shares the j-th state of each), how far a
class draws water otherwise than its prior says, how far the method is out as a whole, and how
far rates will be other than today's. So the samples of accounts may be added up, sample by
sample, over any set of them, and the quantiles of the sums are the range of the total. An
account's samples have its best estimate as their mean, so the total's best estimate is the sum
of the accounts'.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.leak_persistence import shared_quantiles
from rightsize.recommend.rows.row_columns import samples_at_meter
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]

# Common errors of gains in log (tests/fleets): how far estimated over true strays. That of a
# class was set on simulated fleets 31 to 34 and the set half of the recordings; that of a whole
# fleet between those whose meters are the catalog's (1.17 recorded 41 and 42, 1.09 simulated
# 901 to 913) and those whose meters have worn (0.83 wrong 911 to 926).
CLASS_LOG_SD: Final = 0.3  # [log]
METHOD_LOG_SD: Final = 0.18  # [log]
TARIFF_LOG_SD: Final = 0.05  # [log] rates to come against those of the tariff: convention


def gain_sample_frame(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> pl.DataFrame:
    """One row a joint sample of each account whose meter is to be changed.

    Samples beyond the first `draws` are an account's own: they count in its best estimate,
    which the joint ones have as their mean.
    """
    account = np.flatnonzero(choice.action == "change")
    meter = choice.chosen
    registered = samples_at_meter(samples.registered_gal, meter)[:, account]
    now = samples_at_meter(samples.registered_gal, case.meter_index[rows])[:, account]
    money = samples_at_meter(samples.volumetric_gain_usd, meter)[:, account]
    net = samples_at_meter(samples.net_benefit_usd, meter)[:, account]
    classes = [case.block.customer_class[rows][k] for k in account.tolist()]
    count = min(case.thresholds.draws, len(registered))
    factor = common_factor(classes, count)
    paid = factor * _shared("the tariff", count, TARIFF_LOG_SD)[:, None]
    gain = registered - now
    kept = money
    if samples.steady is not None:
        gain_usd = samples_at_meter(samples.volumetric_gain_usd, meter)
        kept = money - samples.steady.lost_at(gain_usd, meter)[:, account]
    columns: dict[str, Any] = {
        "account_id": _named(case.block.account_id[rows], account, count),
        "meter_id": _named(case.block.meter_id[rows], account, count),
        "sample": np.tile(np.arange(1, count + 1, dtype=np.int32), len(account)),
        "volume_gain_gal_per_year": _about(factor * gain[:count], gain),
        "revenue_gain_usd_per_year": _about(paid * money[:count], money),
        "net_benefit_usd_per_year": _about(net[:count] + (paid - 1) * kept[:count], net),
    }
    return pl.DataFrame(columns)


def _about(value: Array, best: Array) -> Array:
    """Samples [J, A] moved so that their mean is that of `best`, one account after another."""
    moved = value + (best.mean(axis=0, dtype=np.float64) - value.mean(axis=0, dtype=np.float64))
    return np.asarray(moved.T.ravel(), dtype=np.float64)


def common_factor(classes: list[str], count: int) -> Array:
    """What samples of all accounts, and of all of a class, share [J, A]; mean 1."""
    whole = _shared("the method", count, METHOD_LOG_SD)
    of_class = {name: _shared(name, count, CLASS_LOG_SD) for name in set(classes)}
    if not classes:
        return np.ones((count, 0))
    return np.asarray(whole[:, None] * np.stack([of_class[c] for c in classes], axis=1))


def _shared(name: str, count: int, log_sd: float) -> Array:
    """Samples of a lognormal factor, alike in every block: even quantiles, shuffled by name."""
    factor = np.exp(log_sd * ndtri(shared_quantiles(name, count)))
    return np.asarray(factor / factor.mean())


def _named(names: tuple[str, ...], account: NDArray[np.int64], count: int) -> pl.Series:
    return pl.Series(
        [names[k] for k in account.tolist() for _ in range(count)], dtype=pl.String
    )
