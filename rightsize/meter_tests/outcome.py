"""What a test leads to: the meter passes, is repaired, or is replaced, with the reason.

A meter out of limits may not stay as it is. One within limits stays unless its error, less what
one test may err, costs more than a repair or a new meter. The comparison runs over the rest of
the installed meter's life: what the error costs, a repair at each interval between tests, or
the level yearly cost of the meter that would come then and comes now.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.meters.uncertainty.shrinkage import BENCH_SD
from rightsize.recommend.horizon import annuity_factor

Array = NDArray[np.float64]

OUTCOMES: Final = {
    "pass": "within limits, and its error costs less than a repair or a new meter",
    "repair": "repair is the cheaper way to end the error",
    "replace": "a new meter is the cheaper way to end the error",
}
"""What becomes of a tested meter."""
STOPPED_SHARE: Final = 0.05
"""Registration [1] below which a meter counts as stopped: its reads say nothing of its loss
(our convention)."""
NOT_REPAIRED: Final = ("electromagnetic", "ultrasonic")
"""Types without a measuring element that is rebuilt (common practice)."""
_LEAST_YEARS: Final = 1.0  # an overdue meter is judged over one more year


def outcome_frame(
    tested: pl.DataFrame, *, discount_rate_pct: float, recovers_share: float
) -> pl.DataFrame:
    """The outcome of each tested meter.

    Parameters
    ----------
    tested : frame
        One row a meter: failures (words, empty if within limits), tested_weighted and
        new_weighted [1], registered_gal_per_year, usd_per_gal, repair_usd (null if it is not
        repaired), renewal_usd, life_years, left_years (of the life), interval_years, is_fire,
        sweep_meter (what the sweep would put in; null if it keeps the meter).

    Returns
    -------
    frame
        `tested` with lost_gal_per_year, loss_usd_per_year (negative if it runs fast; null if
        stopped), keep_usd, repair_all_usd, replace_usd (present values of cost), outcome and
        reason.
    """
    ratio = pl.col("tested_weighted")
    lost = pl.when(ratio > STOPPED_SHARE).then(
        pl.col("registered_gal_per_year") * (pl.col("new_weighted") / ratio - 1)
    )
    told = tested.with_columns(
        is_stopped=ratio <= STOPPED_SHARE, lost_gal_per_year=lost
    ).with_columns(loss_usd_per_year=pl.col("lost_gal_per_year") * pl.col("usd_per_gal"))
    told = told.hstack(_costs(told, discount_rate_pct, recovers_share))
    must = (pl.col("failures") != "") | pl.col("is_stopped")
    best = pl.min_horizontal("repair_all_usd", "replace_usd")
    gap = pl.col("new_weighted") - ratio
    sure_share = ((gap - BENCH_SD) / gap).clip(0) * (gap > 0)
    told = told.with_columns(
        outcome=pl.when(~must & ~(pl.col("keep_usd") * sure_share > best))
        .then(pl.lit("pass"))
        .when(pl.col("sweep_meter").is_not_null())
        .then(pl.lit("replace"))
        .when(pl.col("repair_all_usd") <= pl.col("replace_usd"))
        .then(pl.lit("repair"))
        .otherwise(pl.lit("replace"))
    )
    return told.with_columns(reason=_reason())


def _costs(told: pl.DataFrame, rate_pct: float, recovers_share: float) -> pl.DataFrame:
    """Present value of keeping, repairing and replacing, over what is left of the life."""
    left = np.maximum(told["left_years"].fill_null(_LEAST_YEARS).to_numpy(), _LEAST_YEARS)
    worth = annuity_factor(left, rate_pct)
    between = annuity_factor(np.minimum(told["interval_years"].to_numpy(), left), rate_pct)
    loss = np.maximum(told["loss_usd_per_year"].fill_null(0.0).to_numpy(), 0.0)
    repair = told["repair_usd"].cast(pl.Float64).fill_null(float("inf")).to_numpy()
    renewal = told["renewal_usd"].cast(pl.Float64).fill_null(float("inf")).to_numpy()
    life = annuity_factor(told["life_years"].fill_null(_LEAST_YEARS).to_numpy(), rate_pct)
    return pl.DataFrame(
        {
            "keep_usd": loss * worth,
            "repair_all_usd": repair * worth / between + (1 - recovers_share) * loss * worth,
            "replace_usd": renewal * worth / life,
        }
    )


def _usd(column: str) -> pl.Expr:
    """Whole dollars in words."""
    return pl.col(column).round().cast(pl.Int64).cast(pl.String)


def _reason() -> pl.Expr:
    loss = (
        pl.when("is_stopped")
        .then(pl.lit("the meter registers next to nothing: its loss cannot be told"))
        .when(pl.col("loss_usd_per_year").is_null())
        .then(pl.lit("its volume is not known, so neither is what the error costs"))
        .when(pl.col("loss_usd_per_year").round() < 0)
        .then(
            pl.format(
                "customers are billed ${} a year too much: see the rule on refunds",
                (-pl.col("loss_usd_per_year")).round().cast(pl.Int64),
            )
        )
        .otherwise(pl.format("the error costs ${} a year", _usd("loss_usd_per_year")))
    )
    limits = (
        pl.when(pl.col("failures") != "")
        .then(pl.col("failures"))
        .otherwise(pl.lit("within limits"))
    )
    is_resized = (pl.col("outcome") == "replace") & pl.col("sweep_meter").is_not_null()
    repair = (
        pl.when(pl.col("repair_usd").is_null())
        .then(pl.lit("not repaired in this type or size"))
        .otherwise(pl.format("repair ${}", _usd("repair_usd")))
    )
    ways = pl.format("{}; new meter ${}", repair, _usd("renewal_usd").fill_null("not priced"))
    other = (
        pl.when(is_resized)
        .then(pl.format("; replace by the {} that the sweep recommends", "sweep_meter"))
        .when(pl.col("sweep_meter").is_not_null())
        .then(pl.format("; the sweep recommends the {} for its range", "sweep_meter"))
        .otherwise(pl.lit(""))
    )
    fire = (
        pl.when(pl.col("is_fire") & (pl.col("outcome") != "pass"))
        .then(
            pl.lit(
                "; fire service: in kind only, with listed equipment and the approval of the"
                " authority having jurisdiction"
            )
        )
        .otherwise(pl.lit(""))
    )
    return pl.concat_str([limits, pl.lit("; "), loss, pl.lit("; "), ways, other, fire])
