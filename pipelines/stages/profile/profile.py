"""Profile: reduce each changed partition of the lake to sums that add up over months.

A partition is one month and one bucket of meters. Its profile is in a folder named by a
fingerprint of all its inputs: the list of its lake files (their names are content hashes), the
SQL statements and the time zone. A folder of that name is therefore current, a missing one is
still to do, and an interrupted sweep resumes where it stopped.
"""

from __future__ import annotations

import hashlib
import json
from contextlib import nullcontext
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipelines.stages.profile.lake_check import check_lake_files
from pipelines.stages.profile.profile_mark import drop_damaged, mark
from pipelines.stages.profile.profile_tables import TABLES, write_table
from pipelines.stages.profile.reduce import BAND_PARAMETERS, method_digest, reduce_partition
from pipelines.stages.profile.register_gaps import files_behind_gaps
from pipelines.store.lake_partition import PARTITION_FOLDERS, LakePartition, month_folder
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Pool, Progress, bucket_connection, local_pool, run_all
from pipelines.work.observe import StageCost

_FOLDERS = f"{PARTITION_FOLDERS}/*"


@dataclass(frozen=True)
class ProfilePartition:
    """One month and bucket of the lake, with the files its profile is made from."""

    place: LakePartition
    interval_files: tuple[Path, ...]
    register_files: tuple[Path, ...]
    next_register_files: tuple[Path, ...]
    far_register_files: tuple[Path, ...]  # where a gap of more than a month ends

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that the profile is made from."""
        return (
            *self.interval_files,
            *self.register_files,
            *self.next_register_files,
            *self.far_register_files,
        )

    def fingerprint(self, timezone: str) -> str:
        """Fingerprint of these files and statements."""
        parts = [
            sorted(p.stem for p in self.interval_files),
            sorted(p.stem for p in self.register_files),
            sorted(p.stem for p in self.next_register_files),
            sorted(
                f"{month_folder(LakePartition.parse(p).month)}/{p.stem}"
                for p in self.far_register_files
            ),
            timezone,
            method_digest(),
            BAND_PARAMETERS,
        ]
        return hashlib.sha256(json.dumps(parts).encode()).hexdigest()[:24]


@dataclass(frozen=True)
class ProfileSummary:
    """Result of the stage."""

    partitions: int
    made: int
    folders: tuple[Path, ...]

    @property
    def fingerprint(self) -> str:
        """Fingerprint of all profiles."""
        names = sorted(f"{LakePartition.parse(f).name}/{f.name}" for f in self.folders)
        return hashlib.sha256("\n".join(names).encode()).hexdigest()[:24]


def partitions(workspace: Workspace) -> list[ProfilePartition]:
    """Every month and bucket that the lake holds, in order."""
    interval = _lake_files(workspace, workspace.interval_reads)
    register = _lake_files(workspace, workspace.register_reads)
    behind = files_behind_gaps(register, workspace)
    found = []
    for place in sorted({p.of_kind("profile") for p in (*interval, *register)}):
        own = place.of_kind("register")
        later = sorted(p for p in register if p.bucket == own.bucket and p.month > own.month)
        found.append(
            ProfilePartition(
                place=place,
                interval_files=interval.get(place.of_kind("interval"), ()),
                register_files=register.get(own, ()),
                next_register_files=register[later[0]] if later and own in register else (),
                far_register_files=behind.get(own, ()),
            )
        )
    return found


def profile(
    workspace: Workspace,
    *,
    timezone: str,
    workers: int = 1,
    pool: Pool | None = None,
    progress: Progress | None = None,
    cost: StageCost | None = None,
    bucket_count: int | None = None,
) -> ProfileSummary:
    """Bring every partition's profile up to date; returns where they lie.

    `progress` gets the stage, the number of finished partitions and the total; `cost` the
    resources used. Without a pool, `workers` threads do the work. If the number of buckets is
    given, lake files are checked against it.

    Raises
    ------
    DamageError
        If the content of a lake file does not match its path.
    """
    wanted, storage = partitions(workspace), workspace.storage
    made = set(storage.folders(workspace.profile, _FOLDERS))
    if workspace.lake_url is None:
        current = made & {_folder(workspace, p, timezone) for p in wanted}
        made -= drop_damaged(current, tuple(TABLES))
    stale = [p for p in wanted if _folder(workspace, p, timezone) not in made]
    with nullcontext(pool) if pool else local_pool(workers) as workers_pool:
        run_all(
            partial(make_profile, workspace, timezone=timezone, bucket_count=bucket_count),
            stale,
            stage="profile",
            pool=workers_pool,
            progress=progress,
            cost=cost,
        )
    folders = tuple(_folder(workspace, p, timezone) for p in wanted)
    storage.keep_folders(workspace.profile, _FOLDERS, folders)
    return ProfileSummary(partitions=len(wanted), made=len(stale), folders=folders)


def make_profile(
    workspace: Workspace,
    partition: ProfilePartition,
    *,
    timezone: str,
    bucket_count: int | None = None,
) -> Path:
    """Reduce one partition and put its folder in place; safe to repeat."""
    target = _folder(workspace, partition, timezone)
    storage = workspace.storage
    with (
        storage.at_hand(partition.files) as here,
        storage.making(target) as aside,
        bucket_connection(workspace.scratch) as connection,
    ):
        check_lake_files(
            connection,
            here,
            {"start_at": partition.interval_files, "read_at": partition.register_files},
            month=partition.place.month,
            bucket=partition.place.bucket,
            timezone=timezone,
            bucket_count=bucket_count,
        )
        tables = reduce_partition(
            connection,
            interval=[here[p] for p in partition.interval_files],
            register=[here[p] for p in partition.register_files],
            next_register=[here[p] for p in partition.next_register_files],
            far_register=[here[p] for p in partition.far_register_files],
            timezone=timezone,
        )
        for name, table in tables.items():
            write_table(table, aside / f"{name}.parquet")
        mark(aside, target, tuple(TABLES))
    return target


def _lake_files(workspace: Workspace, kind: Path) -> dict[LakePartition, tuple[Path, ...]]:
    found: dict[LakePartition, list[Path]] = {}
    for path in workspace.storage.files(kind, f"{PARTITION_FOLDERS}/*.parquet"):
        found.setdefault(LakePartition.parse(path), []).append(path)
    return {key: tuple(paths) for key, paths in found.items()}


def _folder(workspace: Workspace, partition: ProfilePartition, timezone: str) -> Path:
    return workspace.root / partition.place.path / partition.fingerprint(timezone)
