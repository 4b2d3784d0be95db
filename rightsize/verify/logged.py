"""The log of jobs put together with the change-outs that the meter history shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.contracts.change_outs.job_frame import LOGGED_SCHEMA

MOST_DAYS_APART: Final = 31
"""Longest time from a removal to the installation that takes its place, and from the day of the
log to that of the meter list [d] (common practice: a service is not without a meter for longer
than a billing month)."""

_PAIR: Final = ("account_id", "removed_meter_id", "changed_on")

MENDED: Final = ("repair", "test")
"""Jobs after which the same meter serves on."""


@dataclass(frozen=True)
class Merged:
    """Jobs of both records, each once, and the rows of the log that are left out."""

    cases: pl.DataFrame
    left_out: pl.DataFrame


def merged(pairs: pl.DataFrame, log: pl.DataFrame, history: pl.DataFrame) -> Merged:
    """Each job of the log with its change-out of the history, or as a job of its own.

    Parameters
    ----------
    pairs : frame
        Change-outs of the history with their kind.
    log : frame
        Columns of `LOGGED_SCHEMA`.
    history : frame
        Stays of meters, for type and size of meters that only the log names.
    """
    matched = _matched(pairs, log)
    same = pl.col("kind") == pl.col("what")
    told = (pl.col("kind") == "other") & pl.col("what").is_in(MENDED)
    judged = matched.with_columns(fits=same | told).with_columns(
        pl.when(~pl.col("fits"))
        .then(pl.lit("differs_from_list"))
        .when(pl.int_range(pl.len()).over(*_PAIR, "fits") > 0)
        .then(pl.lit("row_repeated"))
        .alias("rule")
    )
    left_out = judged.filter(pl.col("rule").is_not_null())
    both = judged.filter(pl.col("rule").is_null()).select(*_PAIR, "what")
    listed = pairs.join(both, on=list(_PAIR), how="left").with_columns(
        record=pl.when(pl.col("what").is_null())
        .then(pl.lit("meter_list"))
        .otherwise(pl.lit("both")),
        kind=pl.coalesce("what", "kind"),
    )
    alone = log.join(judged.select("line"), on="line", how="anti")
    cases = pl.concat([listed.drop("what"), _own(alone, history)], how="diagonal_relaxed")
    return Merged(cases, left_out.select("rule", *LOGGED_SCHEMA))


def _matched(pairs: pl.DataFrame, log: pl.DataFrame) -> pl.DataFrame:
    """Each row of the log with the nearest change-out of the history that it can mean."""
    days = (pl.col("done_on") - pl.col("changed_on")).dt.total_days().abs()
    is_same_meter = (pl.col("removed_meter_id") == pl.col("log_meter_id")) | (
        pl.col("new_meter_id") == pl.col("meter_id")
    ).fill_null(False)
    # A repair or test beside a change of the meter is a job of its own.
    is_same_work = ~pl.col("what").is_in(MENDED) | (pl.col("kind") == "other")
    return (
        pairs.select(*_PAIR, "meter_id", "kind")
        .join(log.rename({"meter_id": "log_meter_id"}), on="account_id")
        .filter(is_same_meter & is_same_work & (days <= MOST_DAYS_APART))
        .with_columns(days=days)
        .sort("line", "days", "changed_on")
        .unique("line", keep="first", maintain_order=True)
        .sort(*_PAIR, "days", "line")
        .drop("meter_id", "days")
        .rename({"log_meter_id": "meter_id"})
    )


def _own(log: pl.DataFrame, history: pl.DataFrame) -> pl.DataFrame:
    """Jobs that only the log has; type and size are those of the meter that serves after."""
    stays = (
        history.sort("installed_on", nulls_last=False)
        .group_by("account_id", "meter_id")
        .agg(pl.col("meter_type", "size_in").last())
    )
    after = pl.coalesce("new_meter_id", "meter_id")
    removed = stays.rename({"meter_type": "removed_type", "size_in": "removed_size_in"})
    is_gone = pl.col("new_meter_id").is_not_null() | pl.col("kind").is_in(MENDED)
    return (
        log.rename({"what": "kind", "done_on": "changed_on"})
        .join(removed, on=["account_id", "meter_id"], how="left")
        # Where the ID stays, the list holds the meter that came, not the one that went.
        .with_columns(pl.when(is_gone).then(pl.col("removed_type", "removed_size_in")))
        .with_columns(removed_meter_id="meter_id", meter_id=after, back_on=pl.lit(True))
        .join(stays, on=["account_id", "meter_id"], how="left")
        .with_columns(record=pl.lit("log"))
        .select(
            *_PAIR, "meter_id", "kind", "record", "removed_type", "removed_size_in",
            "meter_type", "size_in", "back_on",
        )
    )  # fmt: skip
