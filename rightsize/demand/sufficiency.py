"""Whether an account's reads suffice for a verdict, and if not, why not."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import polars as pl

from rightsize.units import UnitSystem
from rightsize.wording import Wording

_NOT_SAID: Final = {
    "has_estimate": pl.lit(True),
    "leak_cut_gpm": pl.lit(None, dtype=pl.Float64),
    "leak_cut_gal": pl.lit(0.0),
}
"""Columns that a frame may lack, with what then holds."""
_MESSAGE: Final = "not_assessed_message"


def not_assessed_reason(
    stat: pl.DataFrame,
    *,
    min_days_covered: float,
    max_estimated_share: float,
    max_zero_share: float,
    min_reads_per_step: float,
    units: UnitSystem,
) -> pl.DataFrame:
    """Why each meter cannot be assessed; null where it can.

    Parameters
    ----------
    stat : frame, one row a meter in service
        service_kind, meter_type, size_in, meter_index (null where the catalog has no
        ratings), meter_status (rated, unrated, unknown), meter_refusal (why it has none),
        days_covered [d],
        read_count, estimated_count, reads_used, zero_count, registered_gal [gal],
        resolution_gal [gal]; the statistics are null where no read was accepted. After
        inference also has_estimate: whether the posterior can be used. Where a possible leak
        was left out of them also leak_cut_gpm [gpm] and leak_cut_gal [gal].
    min_days_covered, max_estimated_share, max_zero_share, min_reads_per_step : float
        The thresholds of those names; the last is steps of the register a day.
    units
        Of the figures in messages.

    Returns
    -------
    frame
        `stat` with the columns not_assessed_code and not_assessed_message.
    """
    code, message = _said(
        min_days_covered, max_estimated_share, max_zero_share, min_reads_per_step, units
    )
    own = {name: value for name, value in _NOT_SAID.items() if name not in stat.columns}
    told = stat.with_columns(**own).with_columns(not_assessed_code=code)
    hit = told["not_assessed_code"].is_not_null()
    texts = pl.Series(_MESSAGE, [None], dtype=pl.String).new_from_index(0, told.height)
    if hit.any():
        texts = texts.scatter(hit.arg_true(), told.filter(hit).select(message).to_series())
    return told.with_columns(texts.alias(_MESSAGE)).drop(
        "has_estimate", *(name for name in own if name != "has_estimate")
    )


@lru_cache(maxsize=16)
def _said(
    min_days_covered: float,
    max_estimated_share: float,
    max_zero_share: float,
    min_reads_per_step: float,
    units: UnitSystem,
) -> tuple[pl.Expr, pl.Expr]:
    """Code and message of each meter by the first rule that it breaks."""
    rules = _rules(
        min_days_covered=min_days_covered,
        max_estimated_share=max_estimated_share,
        max_zero_share=max_zero_share,
        min_reads_per_step=min_reads_per_step,
        said=Wording(units),
    )
    code = pl.lit(None, dtype=pl.String)
    message = pl.lit(None, dtype=pl.String)
    for name, is_hit, text in reversed(rules):
        hit = is_hit.fill_null(False)
        code = pl.when(hit).then(pl.lit(name)).otherwise(code)
        message = pl.when(pl.col("not_assessed_code") == name).then(text).otherwise(message)
    return code, message


def _rules(
    *,
    min_days_covered: float,
    max_estimated_share: float,
    max_zero_share: float,
    min_reads_per_step: float,
    said: Wording,
) -> list[tuple[str, pl.Expr, pl.Expr]]:
    """Code, when it holds, and message, in the order of `NOT_ASSESSED_CODES`."""
    days = pl.col("days_covered").fill_null(0.0)
    estimated = ratio(pl.col("estimated_count"), pl.col("read_count"))
    zero = ratio(pl.col("zero_count"), pl.col("reads_used"))
    steps_per_day = ratio(
        ratio(pl.col("registered_gal"), pl.col("days_covered")), pl.col("resolution_gal")
    )
    is_silent = (pl.col("registered_gal") <= 0) | (zero > max_zero_share)
    is_coarse = steps_per_day < min_reads_per_step
    return [
        (
            "fire_service",
            pl.col("service_kind").is_in(["fire", "combined"])
            | (pl.col("meter_type") == "fire_service"),
            pl.format(
                "{}: never resized from consumption data; consult the fire authority",
                _fire_service(),
            ),
        ),
        (
            "meter_not_rated",
            pl.col("meter_index").is_null() & (pl.col("meter_status") == "unrated"),
            pl.col("meter_refusal"),
        ),
        (
            "meter_not_in_catalogue",
            pl.col("meter_index").is_null(),
            pl.format("{}; correct meters.csv or add the meter to the catalog", _not_held()),
        ),
        (
            "no_reads",
            pl.col("read_count").fill_null(0) == 0,
            pl.lit("no accepted read in the trailing 12 months"),
        ),
        (
            "too_few_days",
            days < min_days_covered,
            pl.format(
                "{} days of reads; {} required",
                ((days * 10).floor() / 10).round(1),
                pl.lit(min_days_covered),
            ),
        ),
        (
            "many_estimates",
            estimated > max_estimated_share,
            pl.format(
                "{} % of reads are estimates; at most {} % allowed",
                said.figure(estimated * 100),
                said.figure(pl.lit(max_estimated_share * 100)),
            ),
        ),
        (
            "nearly_all_leak",
            (pl.col("leak_cut_gal") > 0) & (is_silent | is_coarse),
            pl.format(
                "nearly all that was registered is a flow of {} that began in the year and"
                " never stops ({} of it): a possible leak. Without it {} are left, too little"
                " to size a meter for: find the leak first",
                said.flow(pl.col("leak_cut_gpm")),
                said.volume(pl.col("leak_cut_gal")),
                said.volume(pl.max_horizontal("registered_gal", 0.0)),
            ),
        ),
        (
            "no_registration",
            is_silent,
            pl.format(
                "registered {} in the trailing 12 months",
                said.volume(pl.col("registered_gal").fill_null(0.0)),
            ),
        ),
        (
            "resolution_too_coarse",
            is_coarse,
            pl.format(
                "register resolution is {}: {} steps per day",
                said.volume(pl.col("resolution_gal")),
                said.figure(steps_per_day),
            ),
        ),
        (
            "no_estimate",
            ~pl.col("has_estimate") | (pl.col("reads_used") == 0),
            pl.format(
                "{} reads from {} days gave no usable flow estimate",
                said.figure(pl.col("reads_used").cast(pl.Float64)),
                said.figure(days),
            ),
        ),
    ]


def ratio(part: pl.Expr, whole: pl.Expr) -> pl.Expr:
    """Part over whole, null where there is no whole: NaN would count as above every limit."""
    return pl.when(whole > 0).then(part / whole)


def _fire_service() -> pl.Expr:
    """What makes it one: the kind of service, or a fire meter on another kind."""
    kind = pl.col("service_kind").fill_null("fire")
    return (
        pl.when(kind.is_in(["fire", "combined"]))
        .then(pl.format("{} service", kind))
        .otherwise(pl.format("fire-service meter on a {} service", kind))
    )


def _not_held() -> pl.Expr:
    plain = pl.format("a {} of this size is not in the catalog", pl.col("meter_type"))
    return pl.coalesce("meter_refusal", plain)
