"""The correction that all change-outs with a promise and a gain teach."""

from __future__ import annotations

import numpy as np
import polars as pl

from rightsize.contracts.change_outs.gain_correction import GainCorrection, LearnedFactor
from rightsize.verify.calibration import Promises
from rightsize.verify.correction import LEAST_CASES, corrections
from rightsize.verify.rows import promises_of


def learned_correction(rows: pl.DataFrame, meters: pl.DataFrame) -> GainCorrection:
    """Factors by type, size and class of the meter put in; none with too few cases.

    A promise that was itself corrected counts as it was before: otherwise each sweep would
    correct what the one before had corrected already.

    Parameters
    ----------
    rows : frame
        Rows of realised_gain.
    meters : frame
        account_id, meter_id, meter_type, size_in, customer_class of every stay.
    """
    named = meters.select(
        "account_id", "meter_id", "meter_type", "size_in", "customer_class"
    ).unique(["account_id", "meter_id"], keep="last", maintain_order=True)
    held = rows.filter(pl.col("promised_correction_factor").fill_null(1.0) > 0).join(
        named, on=["account_id", "meter_id"], how="inner", maintain_order="left"
    )
    told = held.filter(
        pl.all_horizontal(
            pl.col("promised_gain_gal_per_year", "realised_gain_pct").is_not_null()
        )
    )
    promises = _before_correction(promises_of(told), told)
    groups = [
        (kind, float(size), name or "unknown")
        for kind, size, name in told.select(
            "meter_type", "size_in", "customer_class"
        ).iter_rows()
    ]
    found = corrections(promises, groups)
    factors = tuple(
        LearnedFactor(group, f.factor, f.error, f.case_count) for group, f in found.items()
    )
    return GainCorrection(told.height, LEAST_CASES, factors)


def _before_correction(promises: Promises, told: pl.DataFrame) -> Promises:
    factor = told["promised_correction_factor"].fill_null(1.0).to_numpy()
    factor = np.asarray(factor, dtype=np.float64)
    return Promises(
        promised_share=promises.promised_share / factor,
        promised_low_share=promises.promised_low_share / factor,
        promised_high_share=promises.promised_high_share / factor,
        realised_share=promises.realised_share,
        realised_error=promises.realised_error,
    )
