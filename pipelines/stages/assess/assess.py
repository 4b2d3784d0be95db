"""Assess and recommend: one bucket of meters from its profile to result rows.

A bucket needs only files and frozen settings, so it can run in any worker and be repeated
safely: rows are written to a temporary file and renamed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.configuration.judged_by import JudgedBy, UsedLogs
from pipelines.stages.assess.bucket_task import BucketTask, load_task
from pipelines.stages.assess.gate import gated_without_leaks
from pipelines.stages.assess.leak_cut import LeakRule
from pipelines.stages.assess.log_effect import logs_of, with_effect, with_log_reason
from pipelines.stages.assess.month_share import month_volume_share
from pipelines.stages.assess.night_flow import with_night_flow
from pipelines.stages.assess.note_reads import note_reads
from pipelines.stages.assess.profile_blocks import BucketProfile, block_of
from pipelines.stages.assess.result_block import CONTRACTS, write_rows
from pipelines.stages.assess.site_rows import installed_of, site_block
from pipelines.store.workspace import Workspace
from rightsize.contracts.profiles import ProfileBlock
from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import LearntPrior
from rightsize.inference.meter.service import ServiceRecord
from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.read_flows import rows_of
from rightsize.recommend.choose import Decision, decide
from rightsize.recommend.rows.flow_distribution import flow_band_frame, profile_frame
from rightsize.recommend.rules.near_threshold import near_threshold
from rightsize.settings import Thresholds

BLOCK_METERS = 2000
"""Meters assessed at once: joint samples of a block stay well under 1 GiB."""

_MORE_SEED = 15485863
"""Added to the seed for further samples of an account: another stream than the first ones'."""


@dataclass(frozen=True)
class BucketResult:
    """How many meters of a bucket were assessed, how many were not, and what was left out."""

    bucket: str
    assessed: int
    not_assessed: int
    leaks_cut_gpm: dict[str, float]  # flow that was left out of a meter's decision


def blocks(
    workspace: Workspace, tasks: Sequence[BucketTask], thresholds: Thresholds
) -> Iterator[ProfileBlock]:
    """Every assessable meter of the fleet, one block at a time."""
    for task in tasks:
        profile = load_task(workspace, task, thresholds, units="us")
        for rows in _assessable(profile):
            yield block_of(profile, rows)


def assess_bucket(
    workspace: Workspace,
    task: BucketTask,
    fleet: JudgedBy,
    learnt: LearntPrior,
    folder: Path,
) -> BucketResult:
    """Infer, judge and choose for every meter of one bucket; rows go below `folder`."""
    rule = LeakRule.of(fleet.thresholds)
    loaded = load_task(workspace, task, fleet.thresholds, fleet.units, leaks=rule)
    as_read = replace(loaded, stat=with_night_flow(loaded))
    profile = gated_without_leaks(as_read, fleet.thresholds, fleet.units)
    parts: dict[str, list[pl.DataFrame]] = {table: [] for table in CONTRACTS}
    for rows in _assessable(profile):
        for table, frame in _assess_block(profile, rows, fleet, learnt).items():
            parts[table].append(frame)
    refused = profile.stat.filter(pl.col("not_assessed_code").is_not_null())
    parts["not_assessed"].append(_not_assessed_rows(refused))
    parts["flow_log_result"] = _log_rows(profile, fleet, learnt, parts)
    for table, frames in parts.items():
        present = [f for f in frames if f.height or len(frames) == 1]
        if present:
            write_rows(pl.concat(present, how="diagonal_relaxed"), folder, table, task.bucket)
    cut = profile.stat.filter(pl.col("leak_cut_gpm").is_not_null())
    leaks_cut_gpm = dict(cut.select("meter_id", "leak_cut_gpm").iter_rows())
    held = as_read if task.decides_on_all else None
    note_reads(workspace, task, fleet, folder, leaks_cut_gpm=leaks_cut_gpm, profile=held)
    not_assessed = sum(frame.height for frame in parts["not_assessed"])
    return BucketResult(
        task.bucket,
        assessed=profile.stat.height - not_assessed,
        not_assessed=not_assessed,
        leaks_cut_gpm=leaks_cut_gpm,
    )


def _log_rows(
    profile: BucketProfile,
    fleet: JudgedBy,
    learnt: LearntPrior,
    after: dict[str, list[pl.DataFrame]],
) -> list[pl.DataFrame]:
    """What came of the logs of a bucket, also said in the reasons of `after`.

    Logged accounts are decided without their logs, too.
    """
    rows = logs_of(fleet.logs, profile.stat["meter_id"].to_list())
    if rows is None:
        return []
    plain, before = replace(fleet, logs=UsedLogs()), []
    used = pl.col("meter_id").is_in(list(fleet.logs.shown))
    for part in _assessable(profile):
        logged = part.filter(used)
        if logged.height:
            before.append(_decided(_assess_block(profile, logged, plain, learnt)))
    tables = [
        _decided({name: after[name][k] for name in ("recommendation", "profile")})
        for k in range(len(after["recommendation"]))
    ]
    found = with_effect(rows, before, tables)
    after["recommendation"] = [with_log_reason(t, found) for t in after["recommendation"]]
    return [found]


def _decided(tables: dict[str, pl.DataFrame]) -> pl.DataFrame:
    unseen = tables["profile"].select("meter_id", "unseen_gal_per_year")
    return tables["recommendation"].join(unseen, on="meter_id", how="left")


def _assessable(profile: BucketProfile) -> Iterator[pl.DataFrame]:
    rows = profile.stat.filter(pl.col("not_assessed_code").is_null()).sort("meter_id")
    for start in range(0, rows.height, BLOCK_METERS):
        yield rows.slice(start, BLOCK_METERS)


@dataclass(frozen=True)
class _Meters:
    """Assessable meters of a bucket, as a frame and as arrays."""

    rows: pl.DataFrame
    block: ProfileBlock
    month_volume_share: NDArray[np.float64]

    def where(self, mask: NDArray[np.bool_]) -> _Meters:
        """Some of them."""
        return _Meters(
            self.rows.filter(pl.Series(mask)),
            rows_of(self.block, np.flatnonzero(mask)),
            self.month_volume_share[mask],
        )


def _assess_block(
    profile: BucketProfile, rows: pl.DataFrame, fleet: JudgedBy, learnt: LearntPrior
) -> dict[str, pl.DataFrame]:
    """Result rows of a block; accounts near a required probability get more samples."""
    limits = fleet.thresholds
    meters = _Meters(rows, block_of(profile, rows), month_volume_share(profile.days, rows))
    posterior = _posterior(meters, fleet, learnt, limits.draws, limits.seed)
    decision = _decision(meters, fleet, posterior)
    near = rows["meter_id"].is_in(
        near_threshold(decision.recommendation, decision.candidate, limits).implode()
    )
    if not (near.any() and limits.draws_near_threshold):
        return _tables(meters, fleet, posterior, decision)
    mask = near.to_numpy()
    sure, again = meters.where(~mask), meters.where(mask)
    first = _tables(sure, fleet, posterior.rows(~mask), _of(decision, sure.rows))
    more = _posterior(
        again, fleet, learnt, limits.draws_near_threshold, limits.seed + _MORE_SEED
    )
    joined = posterior.rows(mask).with_more(more)
    second = _tables(again, fleet, joined, _decision(again, fleet, joined))
    return {
        name: pl.concat([frame, second[name]], how="vertical_relaxed")
        for name, frame in first.items()
    }


def _posterior(
    meters: _Meters, fleet: JudgedBy, learnt: LearntPrior, samples: int, seed: int
) -> FlowPosterior:
    sites = site_block(meters.rows)
    return infer(
        meters.block,
        fleet.catalogue.meters,
        fleet.priors,
        samples=samples,
        seed=seed,
        learnt=learnt,
        installed=installed_of(meters.rows, fleet),
        services=ServiceRecord(sites.service_line_in, sites.spare_head_psi, sites.age_years),
        logs=fleet.logs.shown,
    )


def _decision(meters: _Meters, fleet: JudgedBy, posterior: FlowPosterior) -> Decision:
    return decide(
        meters.block,
        posterior,
        replace(
            site_block(meters.rows),
            month_volume_share=meters.month_volume_share,
            is_logged=meters.rows["meter_id"].is_in(list(fleet.logs.shown)).to_numpy(),
            is_to_log=_is_to_log(meters.rows, fleet),
        ),
        fleet.catalogue,
        fleet.tariff,
        fleet.thresholds,
        units=fleet.units,
        correction=fleet.correction,
    )


def _is_to_log(rows: pl.DataFrame, fleet: JudgedBy) -> NDArray[np.bool_] | None:
    """Whether the campaign under way logs each meter; None if there is none."""
    if fleet.to_log is None:
        return None
    return rows["meter_id"].is_in(list(fleet.to_log)).to_numpy()


def _of(decision: Decision, rows: pl.DataFrame) -> Decision:
    """The rows of some meters."""
    mine = pl.col("meter_id").is_in(rows["meter_id"].implode())
    return Decision(**{name: frame.filter(mine) for name, frame in vars(decision).items()})


def _tables(
    mine: _Meters, fleet: JudgedBy, posterior: FlowPosterior, decision: Decision
) -> dict[str, pl.DataFrame]:
    rows, block = mine.rows, mine.block
    refused = decision.not_assessed.select("meter_id", "code", "message")
    judged = ~pl.col("meter_id").is_in(refused["meter_id"].implode())
    names = rows.select("meter_id", "customer_name", "area", "service_address")
    meters = fleet.catalogue.meters
    tables = {
        "recommendation": decision.recommendation.join(names, on="meter_id", how="left"),
        "candidate": decision.candidate,
        "gain_sample": decision.gain_sample,
        "flow_band": flow_band_frame(block, posterior, meters, installed_of(rows, fleet)),
        "profile": profile_frame(block, posterior, rows, meters),
        "year_money": decision.year_money,
        "bill_impact": decision.bill_impact,
        "replacement_age": decision.replacement_age,
        "value_of_knowing": decision.value_of_knowing,
    }
    return {
        **{table: frame.filter(judged) for table, frame in tables.items()},
        "finding": decision.finding,
        "not_assessed": _not_assessed_rows(
            rows.drop("not_assessed_code", "not_assessed_message").join(
                refused.rename(
                    {"code": "not_assessed_code", "message": "not_assessed_message"}
                ),
                on="meter_id",
            )
        ),
    }


def _not_assessed_rows(refused: pl.DataFrame) -> pl.DataFrame:
    return refused.select(
        "account_id",
        "meter_id",
        "customer_name",
        "area",
        "service_address",
        "customer_class",
        "service_kind",
        code="not_assessed_code",
        message="not_assessed_message",
        installed_type="meter_type",
        installed_size_in="size_in",
    )
