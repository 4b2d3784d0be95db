"""A sweep's identity and inputs, and the bucket tasks that follow from them."""

from __future__ import annotations

import calendar
import datetime as dt
import hashlib
from pathlib import Path

import polars as pl

from pipelines.configuration.fleet import by_bucket
from pipelines.stages.assess.bucket_task import BucketTask
from pipelines.stages.land.land_flow_logs import landed_logs, logs_fingerprint
from pipelines.stages.profile.profile import ProfileSummary
from pipelines.store import ledger
from pipelines.store.lake_partition import LakePartition, bucket_name
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from pipelines.sweep.state import Sweep
from pipelines.work.code_version import code_version
from rightsize.contracts.sweep_record import SweepRecord
from rightsize.errors import ConfigError


def record_of(sweep: Sweep) -> SweepRecord:
    """Identity and inputs of the sweep, once its profiles are made."""
    return SweepRecord(
        sweep_id=sweep.sweep_id,
        utility=sweep.loaded.settings.utility,
        started_at=sweep.began_at,
        finished_at=sweep.began_at,
        config_hash=sweep.loaded.config_hash,
        catalogue_hash=sweep.fleet.catalogue_hash,
        meters_hash=sweep.fleet.meters_hash,
        lake_hash=_lake_hash(sweep),
        code_version=code_version(),
        timezone=sweep.loaded.settings.timezone,
        buckets=bucket_count(sweep.workspace),
        documents=sweep.fleet.documents,
    )


def _lake_hash(sweep: Sweep) -> str:
    """Fingerprint of all profiles, and of the flow logs in the lake if there are any."""
    logs = logs_fingerprint(landed_logs(sweep.workspace))
    if not logs:
        return sweep.profiled.fingerprint
    both = f"{sweep.profiled.fingerprint} {logs}"
    return hashlib.sha256(both.encode()).hexdigest()[:24]


def bucket_tasks(
    profiled: ProfileSummary, service: pl.DataFrame, buckets: int, *, decide_on: str
) -> list[BucketTask]:
    """The meters in service of each bucket, with the profiles of its months.

    On full months, decisions leave the newest month of the lake out, unless it is the only one.
    """
    folders: dict[str, list[Path]] = {}
    months = set()
    for folder in sorted(profiled.folders):
        place = LakePartition.parse(folder)
        folders.setdefault(bucket_name(place.bucket), []).append(folder)
        months.add(place.month)
    has_full = decide_on == "full_months" and len(months) > 1
    newest = max(months) if has_full else None
    tasks = []
    for bucket, meters in by_bucket(service, buckets).items():
        held = tuple(folders.get(bucket, []))
        decided = tuple(f for f in held if LakePartition.parse(f).month != newest)
        tasks.append(BucketTask(bucket, held, decided, meters))
    return tasks


def last_day(profiled: ProfileSummary) -> dt.date:
    """The last day of the newest month that the lake holds."""
    months = [LakePartition.parse(f).month for f in profiled.folders]
    if not months:
        raise ConfigError(
            "no reads loaded: the exports are empty or every row was rejected; "
            "see the messages above and `rightsize rows CONFIG`"
        )
    year, month = (int(part) for part in max(months).split("-"))
    return dt.date(year, month, calendar.monthrange(year, month)[1])


def bucket_count(workspace: Workspace) -> int:
    """Number of buckets of the workspace."""
    with work_database(workspace) as work:
        return ledger.bucket_count(work, None, 0)


def landed_partitions(workspace: Workspace) -> pl.DataFrame:
    """Rows and volume of each file, month and bucket, from the ledger."""
    with work_database(workspace) as work:
        parts: pl.DataFrame = work.sql(sql_text("60_reconcile/landed_part_ledger")).pl()
    return parts


def landed_files(workspace: Workspace) -> pl.DataFrame:
    """The ledger's record of each landed file, as reconcile needs it."""
    with work_database(workspace) as work:
        ledger.prepare(work)
        files: pl.DataFrame = work.sql(sql_text("60_reconcile/landed_ledger")).pl()
    return files
