"""Which meters are due for a test: by rule, throughput, age and money.

A test is worth what it lets the utility win back. The loss of accuracy since the last test is
not known: it is the stated rate of wear (`wear_pct_per_year`, `wear_pct_per_1000_hours`) times
a factor between 0 and 2, all alike likely, as in the choice of a meter (`recommend.ageing`).
After a test the meter is repaired or replaced only where that pays, so the value of the test is
the mean of what is won, above zero, over the factor: for a middle gain G and a cost C of the
repair, (2 G - C)^2 / (4 G) where 2 G exceeds C, else nothing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

DAYS_PER_YEAR: Final = 365.25
MONTHS_PER_YEAR: Final = 12
REASONS: Final = {
    "rule": "the time between tests is over",
    "throughput": "the water that passed it wears a meter of its type past the limit",
    "age": "past the economic age or the life of its type",
    "money": "a test is worth more than it costs",
}
"""Why a meter is due, by code."""


def value_of_test_usd(middle_gain_usd: Array, act_cost_usd: Array) -> Array:
    """Expected gain of a test: what repair or replacement wins, where it pays [USD].

    Parameters
    ----------
    middle_gain_usd : array
        Present value of what acting would win at the middle rate of wear.
    act_cost_usd : array
        Cost of the repair or replacement.
    """
    most = 2 * np.maximum(middle_gain_usd, 0.0)
    over = np.maximum(most - act_cost_usd, 0.0)
    value: Array = np.divide(over**2, 2 * most, out=np.zeros_like(over), where=most > 0)
    return value


def due_frame(service: pl.DataFrame, *, within_months: float) -> pl.DataFrame:
    """The meters in service with when and why a test is due.

    Parameters
    ----------
    service : frame
        One row a meter: as_of (date of the program's start), installed_on, last_tested_on
        (dates, null if not recorded), interval_years, hours_per_year (throughput), limit_hours
        (null: throughput does not wear it), oldest_years (age past which it is replaced),
        middle_gain_usd, act_cost_usd, test_cost_usd, action (of the latest sweep: a meter that
        it changes is not tested for money).

    Returns
    -------
    frame
        `service` with tested_or_installed_on, due_on, age_years, since_years, throughput_hours,
        test_value_usd, net_value_usd, due_by (codes of `REASONS`, joined by a space; empty if
        none), is_due and is_date_known.
    """
    since = pl.max_horizontal("installed_on", "last_tested_on")
    dated = service.with_columns(tested_or_installed_on=since)
    dated = dated.with_columns(
        age_years=_years("installed_on"),
        since_years=_years("tested_or_installed_on"),
        due_on=pl.col("tested_or_installed_on").dt.offset_by(
            pl.format("{}d", (pl.col("interval_years") * DAYS_PER_YEAR).round().cast(pl.Int64))
        ),
        is_date_known=pl.col("tested_or_installed_on").is_not_null(),
    ).with_columns(throughput_hours=pl.col("hours_per_year") * pl.col("since_years"))
    value = value_of_test_usd(
        dated["middle_gain_usd"].fill_null(0.0).to_numpy(),
        dated["act_cost_usd"].fill_null(float("inf")).to_numpy(),
    )
    ahead = within_months / MONTHS_PER_YEAR
    dated = dated.with_columns(test_value_usd=pl.Series(value)).with_columns(
        net_value_usd=pl.col("test_value_usd") - pl.col("test_cost_usd")
    )
    is_changed = (pl.col("action") == "change").fill_null(value=False)
    reasons = {
        "rule": pl.col("since_years") + ahead >= pl.col("interval_years"),
        "throughput": pl.col("throughput_hours") + ahead * pl.col("hours_per_year")
        >= pl.col("limit_hours"),
        "age": pl.col("age_years") + ahead >= pl.col("oldest_years"),
        "money": (pl.col("net_value_usd") > 0) & ~is_changed,
    }
    codes = [
        pl.when(hit.fill_null(value=False)).then(pl.lit(code)) for code, hit in reasons.items()
    ]
    return dated.with_columns(
        due_by=pl.concat_str(codes, separator=" ", ignore_nulls=True)
    ).with_columns(is_due=pl.col("due_by") != "")


def _years(column: str) -> pl.Expr:
    """Years from a date to the start of the program."""
    return (pl.col("as_of") - pl.col(column)).dt.total_days() / DAYS_PER_YEAR
