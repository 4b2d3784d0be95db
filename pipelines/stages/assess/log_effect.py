"""What each flow log changed: the decision of its account without the log, and with it."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipelines.configuration.judged_by import UsedLogs


def logs_of(logs: UsedLogs, meter_ids: Sequence[str]) -> pl.DataFrame | None:
    """Rows of `flow_log_result` of some meters; None if there are none."""
    if logs.rows is None:
        return None
    mine = logs.rows.filter(pl.col("meter_id").is_in(list(meter_ids)))
    return mine if mine.height else None


def stray_logs(logs: UsedLogs, service: pl.DataFrame) -> pl.DataFrame | None:
    """Rows of logs of no meter in service; None if there are none."""
    if logs.rows is None:
        return None
    known = pl.col("meter_id").is_in(service["meter_id"].implode())
    strays = logs.rows.filter(~known.fill_null(value=False))
    return strays if strays.height else None


def with_effect(
    rows: pl.DataFrame, before: Sequence[pl.DataFrame], after: Sequence[pl.DataFrame]
) -> pl.DataFrame:
    """Rows of `flow_log_result` with the decisions before and after.

    Parameters
    ----------
    rows : frame
        Rows of some meters.
    before, after : sequences of frame
        Decided accounts: the columns that `_told` makes.
    """
    out = rows
    for word, parts in (("before", before), ("after", after)):
        if not parts:
            continue
        told = pl.concat([_told(part, word) for part in parts])
        names = [n for n in told.columns if n != "meter_id"]
        out = out.drop(names).join(told, on="meter_id", how="left", maintain_order="left")
        used = [pl.when(pl.col("is_used")).then(pl.col(n)).alias(n) for n in names]
        out = out.with_columns(used)
    return out.select(rows.columns)


def with_log_reason(recommended: pl.DataFrame, logs: pl.DataFrame) -> pl.DataFrame:
    """Rows of `recommendation` whose reason says what a flow log changed."""
    texts = ("action_before", "meter_before", "action_after", "meter_after")
    used = (
        logs.with_columns(pl.col(texts).cast(pl.String))
        .filter(pl.col("is_used") & pl.col("action_after").is_not_null())
        .group_by("meter_id", maintain_order=True)
        .agg(
            pl.col("logged_days").sum(),
            pl.col(texts).last(),
        )
    )
    is_same = (pl.col("action_before") == pl.col("action_after")) & (
        pl.col("meter_before") == pl.col("meter_after")
    )
    before = pl.col("action_before").str.replace("_", " ", literal=True)
    with_meter = pl.when(pl.col("action_before") != "keep").then(
        pl.format(" ({})", pl.col("meter_before"))
    )
    effect = (
        pl.when(is_same)
        .then(pl.lit(", which leaves the decision as it was"))
        .when(before.is_not_null())
        .then(pl.format(", without it: {}{}", before, with_meter.otherwise(pl.lit(""))))
        .otherwise(pl.lit(""))
    )
    told = used.select(
        "meter_id",
        _log=pl.format(
            "; a flow log of {} days is used{}",
            pl.col("logged_days").round(0).cast(pl.Int64),
            effect,
        ),
    )
    joined = recommended.join(told, on="meter_id", how="left", maintain_order="left")
    text = pl.format("{}{}.", pl.col("reason").str.strip_suffix("."), pl.col("_log"))
    return joined.with_columns(reason=pl.coalesce(text, "reason")).drop("_log")


def _told(decided: pl.DataFrame, word: str) -> pl.DataFrame:
    """The columns of one side, of accounts decided."""
    return decided.select(
        "meter_id",
        pl.col("action").cast(pl.String).alias(f"action_{word}"),
        pl.concat_str(
            pl.col("recommended_type").cast(pl.String).str.replace_all("_", " "),
            pl.col("recommended_size_in").cast(pl.String).str.strip_suffix(".0"),
            separator=" ",
        ).alias(f"meter_{word}"),
        pl.col("net_benefit_usd_per_year").alias(f"net_benefit_{word}_usd_per_year"),
        pl.col("peak_10s_gpm").alias(f"peak_{word}_gpm"),
        pl.col("unseen_gal_per_year").alias(f"unseen_{word}_gal_per_year"),
    )
