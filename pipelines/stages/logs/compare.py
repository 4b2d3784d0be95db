"""Logs: every landed log against the register's reads of its days, and what it shows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from pipelines.configuration.fleet import Fleet
from pipelines.configuration.judged_by import UsedLogs
from pipelines.stages.logs.logged_reads import logged_reads
from pipelines.stages.logs.told import LogOnItsWay, log_findings, result_row
from pipelines.store.workspace import Workspace
from rightsize.contracts.frames import as_block
from rightsize.contracts.logs.flow_log_result import FLOW_LOG_RESULT
from rightsize.demand.reading_findings import finding_frame
from rightsize.demand.register_step import common_step
from rightsize.findings import LOG_REFUSALS
from rightsize.flow_logs.agreement import LONGEST_SHIFT_S, agreement
from rightsize.flow_logs.expected import expected_ratio
from rightsize.flow_logs.flow_log import FlowLog, RegisterReads
from rightsize.flow_logs.judged import ExpectedRatio, Judged, judged
from rightsize.flow_logs.shown import LogShown, shown, together
from rightsize.inference.meter.ground import OLD_SPAN
from rightsize.meters.catalogue import Meter
from rightsize.wording import Wording

_MOST_RATIO: Final = 1.1  # [1] of a meter whose curve is not known: our convention
_STEPS_SEEN: Final = 500  # [1] reads that a register's step is looked for in: convention


@dataclass(frozen=True)
class ComparedLogs:
    """Rows of `flow_log_result` as far as they are known, findings, and the logs in use."""

    rows: pl.DataFrame
    findings: pl.DataFrame
    used: UsedLogs


def compare_logs(
    workspace: Workspace, logs: pl.DataFrame, fleet: Fleet, service: pl.DataFrame, *, zone: str
) -> ComparedLogs:
    """Judge every landed log.

    Parameters
    ----------
    logs : frame
        Rows of `ledger.landed_flow_log`.
    fleet : Fleet
        Meter list, catalog and units.
    service : frame
        Meters in service with `meter_index`.
    zone : str
        The utility's time zone, that of the lake's months.
    """
    found = [LogOnItsWay(row, _meter_of(row, fleet.meters.frame)) for row in logs.to_dicts()]
    known = [log for log in found if log.meter is not None and log.row["first_at"] is not None]
    reads = logged_reads(
        workspace,
        sorted({log.meter["meter_id"] for log in known if log.meter}),
        sorted({month for log in known for month in _months(log.row, zone)}),
        timezone=zone,
    )
    of_meter = {
        str(key[0]): part for key, part in reads.partition_by("meter_id", as_dict=True).items()
    }
    meters = _installed(service, fleet)
    words = Wording(fleet.settings.units)
    for log in found:
        _judge(workspace, log, of_meter, meters, words)
    used = _in_use(found, set(service["meter_id"]))
    rows = [result_row(log) for log in found]
    schema = {c.name: None for c in FLOW_LOG_RESULT.block_columns}
    frame = (
        pl.DataFrame(rows, infer_schema_length=None) if rows else pl.DataFrame(schema=schema)
    )
    told = as_block(frame, FLOW_LOG_RESULT)
    return ComparedLogs(told, finding_frame(log_findings(found)), UsedLogs(used, told))


def _meter_of(row: dict[str, Any], meters: pl.DataFrame) -> dict[str, Any] | None:
    """The one stay in the meter list that a log belongs to; None if it is not clear."""
    mine = meters
    for name in ("meter_id", "account_id"):
        if row[name] is not None:
            mine = mine.filter(pl.col(name) == row[name])
    if mine.height > 1 and row["first_at"] is not None:
        first, last = row["first_at"].date(), row["last_at"].date()
        mine = mine.filter(
            (pl.col("installed_on").is_null() | (pl.col("installed_on") <= first))
            & (pl.col("removed_on").is_null() | (pl.col("removed_on") >= last))
        )
    return mine.row(0, named=True) if mine.height == 1 else None


def _months(row: dict[str, Any], zone: str) -> list[str]:
    """Months of the lake that hold a log's days and a shift on either side."""
    shift = dt.timedelta(seconds=LONGEST_SHIFT_S + 86_400)
    day, last = row["first_at"] - shift, row["last_at"] + shift
    days = pl.datetime_range(day, last, "1d", eager=True, time_zone="UTC")
    return sorted(set(days.dt.convert_time_zone(zone).dt.strftime("%Y-%m")))


def _installed(service: pl.DataFrame, fleet: Fleet) -> dict[str, Meter]:
    """The likeliest curve of each rated meter in service."""
    catalogue, curves = fleet.settings.catalogue.meters, fleet.settings.installed
    rated = service.filter(pl.col("meter_index").is_not_null())
    return {
        meter_id: catalogue[index] if curves is None or own < 0 else curves.meters[own]
        for meter_id, index, own in rated.select(
            "meter_id", "meter_index", "curve_index"
        ).iter_rows()
    }


def _judge(
    workspace: Workspace,
    log: LogOnItsWay,
    reads_of: Mapping[str, pl.DataFrame],
    meters: Mapping[str, Meter],
    words: Wording,
) -> None:
    row = log.row
    if row["rows_rejected"]:
        many = f"{row['rows_rejected']:,} of {row['rows_landed']:,}"
        log.problems.append(f"{many} rows rejected, see `rightsize rows`")
    if log.meter is None:
        named = " ".join(str(row[n]) for n in ("account_id", "meter_id") if row[n])
        log.judged = _refused("meter_unknown", f"{named} is not one meter of the meter list")
        return
    samples = _samples(workspace, row)
    if samples is None:
        log.judged = _refused("too_short", "no sample that can be used")
        return
    meter_id = log.meter["meter_id"]
    around = reads_of.get(meter_id)
    if around is None:
        log.judged = _refused("outside_reads", "no read of the meter around the log's time")
        return
    reads = _reads(around, samples, log.meter.get("resolution_gal"))
    meter = meters.get(meter_id)
    log.expected = (
        ExpectedRatio(0.0, _MOST_RATIO)
        if meter is None
        else expected_ratio(samples, meter, OLD_SPAN)
    )
    found = agreement(samples, reads)
    log.judged = judged(samples, reads, found, log.expected, volume_text=_volume(words))
    log.shown = shown(samples, reads)


def _volume(words: Wording) -> Callable[[float], str]:
    return lambda gal: str(pl.select(words.volume(pl.lit(gal))).item())


def _refused(rule: str, message: str) -> Judged:
    return Judged(rule, f"{message}; {LOG_REFUSALS[rule]}", None)


def _samples(workspace: Workspace, row: dict[str, Any]) -> FlowLog | None:
    """The samples of a landed log; None if it has fewer than two."""
    name = workspace.flow_logs / f"{row['file_hash']}.parquet"
    with workspace.storage.at_hand([name]) as here:
        frame = pl.read_parquet(here[name], glob=False).sort("start_at")
    if frame.height < 2 or frame["volume_gal"].null_count() == frame.height:
        return None
    return FlowLog(
        start_s=frame["start_at"].dt.epoch("us").to_numpy() / 1e6,
        step_s=float(row["step_s"]),
        volume_gal=frame["volume_gal"].fill_null(np.nan).to_numpy(),
        measures=row["measures"],
        error_share=row["error_pct"] / 100,
        pulse_gal=row["pulse_gal"] or 0.0,
    )


def _reads(frame: pl.DataFrame, log: FlowLog, listed_gal: float | None) -> RegisterReads:
    """The reads around a log, with the register's step: as listed, or as they show it."""
    low, high = log.start_s[0] - LONGEST_SHIFT_S, log.end_s + LONGEST_SHIFT_S
    mine = frame.filter(pl.col("start_s").is_between(low, high))
    values = mine["registered_gal"].filter(mine["registered_gal"] > 0).unique().sort()
    step = listed_gal or common_step(values.head(_STEPS_SEEN).to_list()[:12]) or 0.0
    return RegisterReads(
        mine["start_s"].to_numpy(),
        mine["length_s"].to_numpy(),
        mine["registered_gal"].to_numpy(),
        float(step),
    )


def _in_use(found: list[LogOnItsWay], in_service: set[str]) -> dict[str, LogShown]:
    """The logs that may change what is known, one for each meter in service."""
    used: dict[str, LogShown] = {}
    good = [
        log for log in found if log.judged and log.judged.is_used and log.shown and log.meter
    ]
    of_pipe = {log.meter["meter_id"] for log in good if log.row["measures"] == "pipe"}  # type: ignore[index]
    for log in sorted(good, key=lambda g: g.row["first_at"]):
        assert log.meter is not None
        assert log.shown is not None
        meter_id = log.meter["meter_id"]
        if log.row["measures"] == "meter" and meter_id in of_pipe:
            log.judged = _refused("other_log_used", "another log of this meter is used")
        elif meter_id in in_service:
            earlier = used.get(meter_id)
            used[meter_id] = log.shown if earlier is None else together(earlier, log.shown)
    return used
