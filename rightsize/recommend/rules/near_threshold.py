"""Accounts whose choice turns on a probability near its threshold: they get more samples.

A probability counted over 64 samples is good to 0.04; that matters only where another count
would change the choice.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.recommend.rules.fit_asked import odds_of_fit_asked
from rightsize.recommend.rules.worth_a_visit import odds_asked
from rightsize.settings import Thresholds

Array = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

NEAR_BENEFIT: Final = 0.1  # [1] twice what 64 samples leave open at 0.75: measured 0.04
NEAR_FIT: Final = 0.06  # [1] twice what they leave open at 0.9 (measured 0.03); less at 0.85
_LEAST_OF_CHOSEN: Final = 0.8  # [1] of the choice's net benefit: less is no rival; convention
_BY_SAMPLES: Final = (  # rules whose outcome is counted over samples
    "peak_over_smoc",
    "sustained_over_continuous",
    "head_loss",
    "odds_of_benefit",
    "less_benefit",
)


def near_threshold(
    recommendation: pl.DataFrame, candidate: pl.DataFrame, limits: Thresholds
) -> pl.Series:
    """Meters whose verdict, action or choice may turn on a few samples more.

    Parameters
    ----------
    recommendation, candidate : frames
        Rows of a decision.
    limits : Thresholds
        Required probabilities.

    Returns
    -------
    series
        `meter_id`, in the order of `recommendation`.
    """
    chosen = recommendation.select(
        "meter_id",
        chosen_usd=pl.when(pl.col("action") == "change")
        .then(pl.col("net_benefit_usd_per_year") * pl.col("odds_of_fit"))
        .fill_null(0.0),
        is_to_log=pl.col("action") == "log_first",
        held_odds_of_fit=_held_odds_of_fit(candidate, recommendation["meter_id"]),
        is_overload_open=_about("odds_of_undersized", limits.odds_of_undersized, NEAR_FIT)
        | _about("odds_of_undersized", limits.near_limit_odds, NEAR_BENEFIT),
    )
    rules = pl.col("rejected_because").fill_null("").str.split(", ")
    rivals = candidate.filter(
        ~pl.col("is_installed")
        & (rules.list.set_difference(["", *_BY_SAMPLES]).list.len() == 0)
    ).join(chosen, on="meter_id")
    rivals = rivals.filter(pl.Series(_is_open(rivals, limits), dtype=pl.Boolean))
    worth = pl.col("net_benefit_usd_per_year") * pl.col("odds_of_fit")
    least = pl.max_horizontal(
        _LEAST_OF_CHOSEN * pl.col("chosen_usd"), pl.lit(limits.min_net_benefit_usd_per_year)
    )
    open_ids = rivals.filter(worth >= least)["meter_id"].unique()
    near = pl.col("is_overload_open").fill_null(False) | pl.col("meter_id").is_in(
        open_ids.implode()
    )
    return chosen.filter(near)["meter_id"]


def _is_open(rivals: pl.DataFrame, limits: Thresholds) -> Flags:
    """One probability near its threshold, the other near or above.

    A change is asked for odds of its own, or for those without a log; only an account that is
    logged first has no use for the latter.
    """
    count = rivals.height
    pays, told_fit, held_fit, cost = (
        rivals[name].to_numpy()
        for name in ("odds_of_benefit", "odds_of_fit", "held_odds_of_fit", "change_cost_usd")
    )
    fits = told_fit - odds_of_fit_asked(held_fit, np.zeros(count, bool), limits.odds_of_fit)
    first, without = (
        _near_both(pays - odds_asked(cost[:, None], np.full(count, may), limits)[:, 0], fits)
        for may in (True, False)
    )
    return first | (~rivals["is_to_log"].to_numpy() & without)


def _near_both(pays: Array, fits: Array) -> Flags:
    is_possible = (pays >= -NEAR_BENEFIT) & (fits >= -NEAR_FIT)
    return is_possible & ((pays <= NEAR_BENEFIT) | (fits <= NEAR_FIT))


def _held_odds_of_fit(candidate: pl.DataFrame, meter_id: pl.Series) -> pl.Series:
    """Odds of fit of the installed meters, in this order; 1 where none is told."""
    held = candidate.filter("is_installed").select("meter_id", "odds_of_fit")
    joined = pl.DataFrame({"meter_id": meter_id}).join(
        held, on="meter_id", how="left", maintain_order="left"
    )
    return joined["odds_of_fit"].fill_null(1.0)


def _about(name: str, limit: float, width: float) -> pl.Expr:
    return (pl.col(name) - limit).abs() <= width
