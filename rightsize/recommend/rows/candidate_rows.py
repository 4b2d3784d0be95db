"""Rows of `candidate`: every catalog meter at every account, and why it fell out."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.rows.row_columns import head_loss_at_peak, meter_columns, with_word
from rightsize.recommend.rules.meter_rules import rule_names
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def candidate_frame(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> pl.DataFrame:
    """One row a catalog meter of each account assessed, or refused as a fire service.

    The installed meter has a row too: it is kept, so it costs and brings nothing.
    """
    shown = _is_shown(case, rows)
    count = len(case.catalogue.meters)
    account = np.repeat(np.flatnonzero(shown), count)
    meter = np.tile(np.arange(count), int(shown.sum()))
    is_installed = meter == case.meter_index[rows][account]
    numbers = {k: v[shown].ravel() for k, v in _numbers(case, rows, samples, choice).items()}
    for name in ("change_cost_usd", "worth_usd_per_year"):
        numbers[name] = np.where(is_installed, 0.0, numbers[name])
    code, texts = rule_names(choice.weighed.broken[shown])
    frame = pl.DataFrame(
        {
            **_keys(case, rows, account, meter),
            "is_installed": is_installed,
            "feasible": choice.weighed.feasible[shown].ravel(),
            "rejected_because": pl.Series([t or None for t in texts], dtype=pl.String).gather(
                pl.Series(code.ravel(), dtype=pl.UInt32)
            ),
            **{k: v.astype(np.float64) for k, v in numbers.items()},
            "rank": choice.rank[shown].ravel().astype(np.int32),
        }
    )
    return frame.with_columns(
        pl.col(pl.Float64).fill_nan(None),
        pl.when(pl.col("rank") > 0).then(pl.col("rank")).alias("rank"),
    )


def _is_shown(case: Case, rows: slice) -> NDArray[np.bool_]:
    code = np.array(case.refused.code[rows], dtype=np.str_)
    is_known = np.asarray(case.sites.meter_index[rows]) >= 0
    return np.asarray(np.isin(code, ["", "fire_service"]) & is_known)


def _keys(case: Case, rows: slice, account: Index, meter: Index) -> dict[str, pl.Series]:
    at = pl.Series(account, dtype=pl.UInt32)
    named = meter_columns(case, "meter", meter)
    return {
        "account_id": pl.Series(case.block.account_id[rows], dtype=pl.String).gather(at),
        "meter_id": pl.Series(case.block.meter_id[rows], dtype=pl.String).gather(at),
        "meter_type": named["meter_type"],
        "size_in": named["meter_size_in"],
        "grade": named["meter_grade"],
    }


def _numbers(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> dict[str, NDArray[Any]]:
    """Figures of every meter at every account [A, M]."""
    weighed, costs = choice.weighed, case.costs
    return {
        **_spread("accuracy_pct", weighed.accuracy_pct),
        **_spread("registered_gal_per_year", weighed.registered_gal),
        **_spread("net_benefit_usd_per_year", weighed.net_benefit_range_usd),
        "net_present_value_usd": weighed.net_benefit_usd * costs.present_value_factor,
        "fixed_charge_change_usd_per_year": costs.fixed_charge_change_usd_per_year[rows],
        "change_cost_usd": costs.change_cost_usd[rows],
        "worth_usd_per_year": weighed.worth_usd,
        "odds_of_benefit": weighed.odds_of_benefit,
        "odds_of_fit": weighed.odds_of_fit,
        "head_loss_at_peak_psi": head_loss_at_peak(case, samples),
    }


def _spread(name: str, value: tuple[NDArray[Any], ...]) -> dict[str, NDArray[Any]]:
    return dict(
        zip((name, with_word(name, "low"), with_word(name, "high")), value, strict=True)
    )
