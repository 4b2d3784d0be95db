"""Rows of `value_of_knowing`: what each kind of learning is worth at each meter."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.knowing.kinds import KINDS
from rightsize.meters.arrays import meter_arrays
from rightsize.recommend.case import Case
from rightsize.recommend.learning.value_of_learning import Learning
from rightsize.recommend.rows.row_columns import meter_columns
from rightsize.settings import Thresholds

Array = NDArray[np.float64]


def cost_usd(limits: Thresholds) -> Array:
    """Cost of each kind of learning, in the order of KINDS."""
    by_kind = {
        "night_logging": limits.night_logging_cost_usd,
        "flow_logging": limits.logging_cost_usd,
        "accuracy_test": limits.accuracy_test_cost_usd,
        "finer_interval": limits.finer_interval_cost_usd,
        "peak_register": limits.peak_register_cost_usd,
    }
    return np.array([by_kind[kind] for kind in KINDS])


def value_of_knowing_frame(case: Case, rows: slice, learning: Learning) -> pl.DataFrame:
    """One row a kind of learning that may change a meter's decision."""
    at = pl.Series(learning.account, dtype=pl.UInt32)
    cost = cost_usd(case.thresholds)[learning.kind]
    frame = pl.DataFrame(
        {
            "account_id": pl.Series(case.block.account_id[rows], dtype=pl.String).gather(at),
            "meter_id": pl.Series(case.block.meter_id[rows], dtype=pl.String).gather(at),
            "kind": pl.Series(KINDS, dtype=pl.String).gather(
                pl.Series(learning.kind, dtype=pl.UInt32)
            ),
            "expected_gain_usd": learning.gain_usd.astype(np.float64),
            "cost_usd": cost,
            "net_usd": learning.gain_usd - cost,
            "odds_of_other_choice": learning.odds_of_other.astype(np.float64),
            "decides": _decides(case, rows, learning),
            **meter_columns(case, "decides", learning.meter),
        }
    )
    place = pl.col("net_usd").rank("ordinal", descending=True)
    return frame.with_columns(is_best=place.over("account_id", "meter_id") == 1)


def _decides(case: Case, rows: slice, learning: Learning) -> NDArray[Any]:
    size = meter_arrays(case.catalogue.meters).size_in
    ours = size[case.meter_index[rows][learning.account]]
    theirs = size[np.maximum(learning.meter, 0)]
    return np.select(
        [learning.meter < 0, theirs < ours, theirs > ours],
        ["keep", "smaller_meter", "larger_meter"],
        default="other_type",
    )
