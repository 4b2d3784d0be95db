"""The folder that holds all state of one utility, and the names inside it.

```
workspace/
  work.duckdb                       ledger of landed files, sweeps (one writer)
  lake/interval_read/month=2025-01/bucket=03/<file hash>.parquet    immutable
  lake/register_read/month=2025-01/bucket=03/<file hash>.parquet    immutable
  rejected/<file hash>.parquet      refused rows of one landed file
  profile/month=2025-01/bucket=03/  {stat,band,balance}.parquet, replaced whole
  assess/<sweep>/                   blocks of results on their way to publication
  published/results.duckdb, *.parquet
  logs/
```
"""

from __future__ import annotations

import fcntl
import json
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rightsize.errors import WorkspaceBusyError


@dataclass(frozen=True)
class Workspace:
    """Paths below one workspace folder."""

    root: Path

    @property
    def database(self) -> Path:
        """The working database: ledger and sweeps."""
        return self.root / "work.duckdb"

    @property
    def interval_reads(self) -> Path:
        """Lake of interval reads."""
        return self.root / "lake" / "interval_read"

    @property
    def register_reads(self) -> Path:
        """Lake of register reads."""
        return self.root / "lake" / "register_read"

    @property
    def rejected(self) -> Path:
        """Rows refused, one Parquet file a landed file."""
        return self.root / "rejected"

    @property
    def profile(self) -> Path:
        """Monthly statistics by month and bucket."""
        return self.root / "profile"

    @property
    def assess(self) -> Path:
        """Results under way."""
        return self.root / "assess"

    @property
    def scratch(self) -> Path:
        """Where DuckDB spills; may be emptied between sweeps."""
        return self.root / "scratch"

    @property
    def published(self) -> Path:
        """What readers see."""
        return self.root / "published"

    @property
    def results(self) -> Path:
        """The published database."""
        return self.published / "results.duckdb"

    def create(self) -> None:
        """Make the folders that are missing."""
        for folder in (
            self.interval_reads, self.register_reads, self.rejected,
            self.profile, self.assess, self.published,
        ):  # fmt: skip
            folder.mkdir(parents=True, exist_ok=True)

    @contextmanager
    def hold(self) -> Iterator[None]:
        """Hold the workspace for one sweep; a crash of the holder frees it.

        Raises
        ------
        WorkspaceBusyError
            If another process holds it; the text names the process and since when.
        """
        self.root.mkdir(parents=True, exist_ok=True)
        path = self.root / "sweep.lock"
        with path.open("a+", encoding="utf-8") as handle:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                handle.seek(0)
                raise WorkspaceBusyError(_busy_text(self.root, handle.read())) from None
            handle.truncate(0)
            holder = {"pid": os.getpid(), "host": os.uname().nodename, "since": time.time()}
            handle.write(json.dumps(holder))
            handle.flush()
            try:
                yield
            finally:
                handle.truncate(0)


def _busy_text(root: Path, content: str) -> str:
    try:
        holder = json.loads(content)
        since = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(holder["since"]))
        who = f"process {holder['pid']} on {holder['host']} since {since}"
    except (ValueError, KeyError):
        who = "another process"
    return f"workspace {root} is held by {who}; wait for it to end, or stop it, and run again"
