"""The folder with all state of one utility, and the names inside it.

```
workspace/
  work.duckdb                       ledger of landed files, sweeps (one writer)
  lake/interval_read/month=2025-01/bucket=03/<file hash>.parquet    immutable
  lake/register_read/month=2025-01/bucket=03/<file hash>.parquet    immutable
  lake/flow_log/<file hash>.parquet samples of one flow logger        immutable
  rejected/<file hash>.parquet      rejected rows of one landed file
  profile/month=2025-01/bucket=03/  {stat,band,balance}.parquet, replaced whole
  assess/<sweep>/                   result blocks of the newest sweep
  published/results.duckdb, *.parquet
  campaign/visits.csv, crew_*.csv   logging campaign, and a list for each crew and week
  logs/sweep-2025-01.jsonl          logs of sweeps
  learnt.json                       priors learned by the last sweep
  pictures.json                     pictures of the newest pages, for the next ones
  fetched/s3/<bucket>/<key>         copies of exports in an object store
  page_salt                         makes the codes of accounts on pages (0600)
  lake_claim.json                   object store with lake/ and profile/, if any
  register_meters/                  meters named in each register file of a lake in a store
  prefect/                          of the service: Prefect's database, the secret (0700)
  scratch/                          spill of DuckDB; emptied when a sweep starts
```
"""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final, TextIO

from pipelines.store.private_files import (
    close_entries,
    close_folder,
    group_id,
    is_own_folder,
    open_to_group,
)
from pipelines.store.storage import DiskStorage, ObjectStorage, Storage
from pipelines.store.usable_path import usable_file, usable_folder
from rightsize.errors import WorkspaceBusyError

_OWN_MARKS: Final = ("sweep.lock", "work.duckdb")
_OWN_NAMES: Final = (
    *_OWN_MARKS, "work.duckdb.wal", "lake", "rejected", "profile", "assess", "published",
    "campaign", "logs", "learnt.json", "pictures.json", "fetched", "landing", "lake_claim.json",
    "register_meters", "page_salt", "prefect", "scratch",
)  # fmt: skip


@dataclass(frozen=True)
class Workspace:
    """Paths below one workspace folder.

    Lake and profiles may be in an object store instead, under the same names: they are read
    and written through `storage`. Only this user can enter the folder; members of
    `results_group` can read what is published. If the folder is shared with the configuration
    or the exports, it stays as it is, and what is ours in it is closed.
    """

    root: Path
    lake_url: str | None = None
    results_group: str | None = None
    is_shared: bool = False

    @property
    def storage(self) -> Storage:
        """Storage of lake, profiles and blocks of remote workers."""
        if self.lake_url is None:
            return DiskStorage()
        return ObjectStorage(self.root, self.lake_url, self.scratch)

    @property
    def lake(self) -> Path:
        """Both kinds of reads, by kind, month and bucket, and flow logs."""
        return self.root / "lake"

    @property
    def database(self) -> Path:
        """The working database: ledger and sweeps."""
        return self.root / "work.duckdb"

    @property
    def interval_reads(self) -> Path:
        """Lake of interval reads."""
        return self.lake / "interval_read"

    @property
    def register_reads(self) -> Path:
        """Lake of register reads."""
        return self.lake / "register_read"

    @property
    def flow_logs(self) -> Path:
        """Lake of flow logs, one Parquet file per landed log."""
        return self.lake / "flow_log"

    @property
    def rejected(self) -> Path:
        """Rejected rows, one Parquet file per landed file."""
        return self.root / "rejected"

    @property
    def profile(self) -> Path:
        """Monthly statistics by month and bucket."""
        return self.root / "profile"

    @property
    def campaign(self) -> Path:
        """Visits of the logging campaign chosen last, and the lists of its crews."""
        return self.root / "campaign"

    @property
    def assess(self) -> Path:
        """Partial results."""
        return self.root / "assess"

    @property
    def scratch(self) -> Path:
        """Spill folder of DuckDB; may be emptied between sweeps."""
        return self.root / "scratch"

    @property
    def fetched(self) -> Path:
        """Copies of exports in an object store."""
        return self.root / "fetched"

    @property
    def published(self) -> Path:
        """Published files."""
        return self.root / "published"

    @property
    def results(self) -> Path:
        """The published database."""
        return self.published / "results.duckdb"

    def create(self) -> None:
        """Create missing folders, closed to other users."""
        stored = (self.interval_reads, self.register_reads, self.profile)
        here = (self.rejected, self.assess, self.published)
        for folder in (*stored, *here):
            usable_folder(folder)
        self.close()
        for folder in here if self.lake_url else (*stored, *here):
            folder.mkdir(parents=True, exist_ok=True)
        self.close()

    def close(self) -> None:
        """Let no other user into the workspace; the results' group may pass, not list.

        A folder that holds other things than ours is left open, and ours in it are closed.

        Raises
        ------
        ConfigError
            If the group is unknown, or not one of this user's.
        """
        group = group_id(self.results_group) if self.results_group else None
        if self.is_shared or not is_own_folder(self.root, _OWN_NAMES, _OWN_MARKS):
            close_entries(self.root, _OWN_NAMES)
        else:
            close_folder(self.root, group)

    def show_to_group(self, folder: Path | None = None) -> None:
        """Let the results' group read a folder, or all that is published; if there is one."""
        if self.results_group:
            open_to_group(folder or self.published, group_id(self.results_group))

    def check_files(self) -> None:
        """Refuse pipes, folders and dead links in the place of files: opening may never end.

        Raises
        ------
        DamageError
            Naming it, and what to do.
        """
        usable_file(self.lock, cure="remove it; it only marks that a sweep runs")
        usable_file(self.learnt, cure="remove it; it is made again")
        for path in (self.database, self.results, self.lake_claim):
            usable_file(path, cure="restore the file from a backup")

    @property
    def logs(self) -> Path:
        """Logs of sweeps as JSON, one file per month."""
        return self.root / "logs"

    @property
    def learnt(self) -> Path:
        """Priors learned by the last sweep, with their inputs."""
        return self.root / "learnt.json"

    @property
    def pictures(self) -> Path:
        """Pictures of the newest pages, by what they are drawn from."""
        return self.root / "pictures.json"

    @property
    def register_meters(self) -> Path:
        """Meters in each file of register readings, if the files are in an object store."""
        return self.root / "register_meters"

    @property
    def lake_claim(self) -> Path:
        """The object store with the lake, if any."""
        return self.root / "lake_claim.json"

    @property
    def lock(self) -> Path:
        """Lock file of the running sweep; names its process."""
        return self.root / "sweep.lock"

    @contextmanager
    def hold(self, kind: str = "sweep") -> Iterator[None]:
        """Lock the workspace for one sweep; a crash releases it.

        The kernel holds the lock for the process, so it cannot outlive it. The file is never
        removed: a lock on a removed file would have no effect.

        Raises
        ------
        WorkspaceBusyError
            If another process has the lock; the text names the process and since when.
        """
        usable_folder(self.root)
        self.check_files()
        self.close()
        with self.lock.open("a+", encoding="utf-8", errors="replace") as handle:
            if not _locked(handle, fcntl.LOCK_EX, tries=_TRIES):
                handle.seek(0)
                raise WorkspaceBusyError(_busy_text(self.root, _holder(handle.read())))
            handle.truncate(0)
            handle.write(json.dumps(asdict(Holder.this_process(kind))))
            handle.flush()
            try:
                yield
            finally:
                handle.truncate(0)

    def holder(self) -> Holder | None:
        """The process that holds the lock; None if it is free."""
        usable_file(self.lock, cure="remove it; it only marks that a sweep runs")
        try:
            with self.lock.open("r", encoding="utf-8", errors="replace") as handle:
                if _locked(handle, fcntl.LOCK_SH, tries=1):
                    return None
                return _holder(handle.read()) or Holder(0, "unknown", 0.0, "sweep")
        except FileNotFoundError:
            return None

    def left_behind(self) -> Holder | None:
        """The process that died holding the lock, unless another process had it since."""
        if not self.lock.is_file() or self.holder() is not None:
            return None
        return _holder(self.lock.read_text(encoding="utf-8", errors="replace"))


@dataclass(frozen=True)
class Holder:
    """The process that holds the workspace lock."""

    pid: int
    host: str
    since: float
    kind: str

    @classmethod
    def this_process(cls, kind: str) -> Holder:
        """The current process, from now on."""
        return cls(os.getpid(), os.uname().nodename, time.time(), kind)

    @property
    def since_text(self) -> str:
        """Since when, in local time."""
        return time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(self.since))


# A mere check holds the lock for an instant: a starting sweep retries.
_TRIES: Final = 5
_WAIT_S: Final = 0.05


def _locked(handle: TextIO, kind: int, *, tries: int) -> bool:
    for attempt in range(tries):
        try:
            fcntl.flock(handle, kind | fcntl.LOCK_NB)
        except OSError:
            if attempt + 1 < tries:
                time.sleep(_WAIT_S)
        else:
            return True
    return False


def _holder(content: str) -> Holder | None:
    try:
        return Holder(**json.loads(content))
    except (ValueError, TypeError, RecursionError):
        return None


def _busy_text(root: Path, holder: Holder | None) -> str:
    who = "another process"
    if holder is not None:
        who = f"process {holder.pid} on {holder.host} since {holder.since_text} ({holder.kind})"
    return f"workspace {root} is in use by {who}; wait until it ends or stop it, then run again"
