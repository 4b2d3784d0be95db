"""One plain sentence for every verdict, with the account's own numbers."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter
from rightsize.recommend.case import Case

Array = NDArray[np.float64]

_WITH_AN: Final = ("8", "11", "18")


def with_reason(
    frame: pl.DataFrame,
    case: Case,
    rows: slice,
    *,
    odds_over_smoc: Array,
    odds_over_continuous: Array,
    runner_up_odds: Array,
    smaller: NDArray[np.int64],
    is_other: NDArray[np.bool_],
    blocked_by: list[str],
) -> pl.DataFrame:
    """The recommendation rows with their `reason`.

    Parameters
    ----------
    frame : polars.DataFrame [A]
        Recommendation rows without it.
    case, rows
        The case and the accounts of the frame.
    runner_up_odds : array [A]
        Odds that the runner-up would pay.
    smaller : int array [A]
        Best smaller meter of the installed type that pays; -1 for none.
    is_other : bool array [A]
        The recommended meter is not the installed one.
    blocked_by : list of str [A]
        The rule that stands in the way of most meters.
    odds_over_smoc, odds_over_continuous : arrays [A]
        Odds that peak and sustained flow exceed what the installed meter may carry.
    """
    index = case.meter_index[rows]
    message = pl.Series("_message", case.refused.message[rows], dtype=pl.String)
    meters = case.catalogue.meters
    names = {_key(m): _named(m) for m in meters}
    at_none = len(meters) + 1
    rivals = {m.label: _named(m) for m in meters}
    smoc = {_key(m): m.smoc_gpm for m in meters}
    texts = frame.with_columns(
        message,
        pl.Series("_smoc", np.array([m.smoc_gpm for m in meters])[index]),
        pl.Series("_continuous", np.array([m.continuous_gpm for m in meters])[index]),
        pl.Series("_is_other", is_other),
        pl.Series("_blocked_by", blocked_by, dtype=pl.String),
        pl.Series("_rival_odds", runner_up_odds),
        pl.Series("_smaller", [*map(_named, meters), None]).gather(
            pl.Series(smaller % at_none)
        ),
        pl.Series("_odds_over_smoc", odds_over_smoc),
        pl.Series("_odds_over_continuous", odds_over_continuous),
        pl.Series("_is_critical", case.is_critical[rows]),
        pl.Series("_last_use_on", case.last_use_on[rows], dtype=pl.String),
        *(
            pl.concat_str(
                pl.col(f"{who}_type"),
                pl.col(f"{who}_size_in").cast(pl.String),
                pl.col(f"{who}_grade"),
                separator="|",
            ).alias(f"_{who}")
            for who in ("installed", "recommended")
        ),
    )
    texts = texts.with_columns(
        pl.col("runner_up").replace_strict(rivals, default=None).alias("_rival"),
        pl.col("_recommended").replace_strict(smoc, default=None).alias("_new_smoc"),
        *(
            pl.col(f"_{who}").replace_strict(names, default=None).alias(f"_{who}")
            for who in ("installed", "recommended")
        ),
    )
    return frame.with_columns(texts.select(reason=_sentence())["reason"])


def _key(meter: Meter) -> str:
    return f"{meter.meter_type}|{float(meter.size_in)}|{meter.grade}"


def _named(meter: Meter) -> str:
    article = "an" if meter.label.split()[0].split(".")[0] in _WITH_AN else "a"
    return f"{article} {meter.label}"


def number(column: str) -> pl.Expr:
    """A figure as text: whole from 100 on, else three significant digits, no trailing `.0`."""
    value = pl.col(column)
    small = value.round_sig_figs(3).cast(pl.String).str.strip_suffix(".0")
    whole = value.round(0).cast(pl.Int64, strict=False).cast(pl.String)
    return pl.when(value.abs() >= 100).then(whole).otherwise(small)


def _odds(column: str) -> pl.Expr:
    """Odds as text; draws are few, so nothing is called certain."""
    value = pl.col(column)
    return (
        pl.when(value > 0.985)
        .then(pl.lit("0.99"))
        .when(value < 0.015)
        .then(pl.lit("0.01"))
        .otherwise(value.round(2).cast(pl.String))
    )


def _sentence() -> pl.Expr:
    critical = pl.when(
        pl.col("_is_critical")
        & pl.col("verdict").is_in(["oversized", "undersized", "wrong_type"])
    ).then(pl.lit("; the customer cannot be without water, so a person decides"))
    body = (
        pl.when(pl.col("verdict") == "not_assessed")
        .then(pl.col("_message"))
        .when(pl.col("verdict") == "undersized")
        .then(_undersized())
        .when(pl.col("verdict").is_in(["oversized", "wrong_type"]))
        .then(pl.concat_str(_smaller_pays(), _pays()))
        .when((pl.col("action") == "log_first") & pl.col("_is_other"))
        .then(_log_for_gain())
        .when(pl.col("action") == "log_first")
        .then(_log_for_fit())
        .otherwise(_fits())
    )
    body = pl.concat_str(_stopped(), body)
    text = pl.concat_str(body, critical.otherwise(pl.lit("")), pl.lit("."))
    return pl.concat_str(text.str.head(1).str.to_uppercase(), text.str.slice(1))


def _stopped() -> pl.Expr:
    """What comes before all else: what is drawn through a stopped meter is not known."""
    day = pl.col("_last_use_on")
    text = pl.format(
        "no registration since {}, so find out why before a size is settled; on the months"
        " before, ",
        day,
    )
    is_said = day.is_not_null() & (pl.col("verdict") != "not_assessed")
    return pl.when(is_said).then(text).otherwise(pl.lit(""))


def _smaller_pays() -> pl.Expr:
    """What makes an account oversized, where another type is better still."""
    other_type = pl.col("recommended_type") != pl.col("installed_type")
    text = pl.format("{} would carry the flow and pay; better still, ", pl.col("_smaller"))
    is_said = (pl.col("verdict") == "oversized") & other_type
    return pl.when(is_said).then(text).otherwise(pl.lit(""))


def _pays() -> pl.Expr:
    return pl.format(
        "{} carries the peak of {} gpm ({} to {}; rated {}) and registers {} % where {} "
        "registers {} %, which brings {} USD a year after all costs ({} to {}) with odds of {}",
        pl.col("_recommended"), number("peak_10s_gpm"), number("peak_10s_low_gpm"),
        number("peak_10s_high_gpm"),
        number("_new_smoc"), number("recommended_accuracy_pct"), pl.col("_installed"),
        number("installed_accuracy_pct"), number("net_benefit_usd_per_year"),
        number("net_benefit_low_usd_per_year"), number("net_benefit_high_usd_per_year"),
        _odds("odds_of_benefit"),
    )  # fmt: skip


def _overload(verb: str) -> pl.Expr:
    """Which flow of the installed meter is over its rating, named by the larger odds."""
    by_peak = pl.format(
        f"the peak of {{}} gpm ({{}} to {{}}) {verb} the {{}} gpm that {{}} may carry at peaks",
        number("peak_10s_gpm"), number("peak_10s_low_gpm"), number("peak_10s_high_gpm"),
        number("_smoc"), pl.col("_installed"),
    )  # fmt: skip
    by_hour = pl.format(
        f"the sustained flow of {{}} gpm {verb} the {{}} gpm that {{}} may "
        "carry for long",
        number("sustained_60min_gpm"),
        number("_continuous"), pl.col("_installed"),
    )  # fmt: skip
    peak_is_worse = pl.col("_odds_over_smoc") >= pl.col("_odds_over_continuous")
    return pl.concat_str(
        pl.when(peak_is_worse).then(by_peak).otherwise(by_hour),
        pl.format(" (odds {})", _odds("odds_of_undersized")),
    )


def _undersized() -> pl.Expr:
    cure = pl.format(
        "; {} carries peak and sustained flow (odds {})",
        pl.col("_recommended"), _odds("odds_of_fit"),
    )  # fmt: skip
    none = pl.format(
        "; no meter of the catalogue may be installed here ({}), so a person decides",
        pl.col("_blocked_by"),
    )
    return pl.concat_str(
        _overload("exceeds"), pl.when(pl.col("_is_other")).then(cure).otherwise(none)
    )


def _log_for_gain() -> pl.Expr:
    return pl.format(
        "{} may bring up to {} USD a year after all costs, but only with odds of {}: logging "
        "the site first is worth about {} USD more than it costs",
        pl.col("_recommended"), number("net_benefit_high_usd_per_year"),
        _odds("odds_of_benefit"), number("expected_value_of_logging_usd"),
    )  # fmt: skip


def _log_for_fit() -> pl.Expr:
    return pl.concat_str(_overload("may exceed"), pl.lit(": log the site before deciding"))


def _fits() -> pl.Expr:
    keeps = pl.format(
        "{} registers {} % at a peak of {} gpm (rated {})",
        pl.col("_installed"), number("installed_accuracy_pct"), number("peak_10s_gpm"),
        number("_smoc"),
    )  # fmt: skip
    rival = pl.format(
        "; the best other meter, {}, would bring {} USD a year after all costs with odds of {}",
        pl.col("_rival"), number("runner_up_net_benefit_usd_per_year"),
        _odds("_rival_odds"),
    )  # fmt: skip
    alone = pl.lit("; no other meter of the catalogue fits and may be installed")
    has_rival = pl.col("_rival").is_not_null()
    return pl.concat_str(keeps, pl.when(has_rival).then(rival).otherwise(alone))
