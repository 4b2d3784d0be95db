"""A preview of a few accounts: assessed from stored reads and shown, not published.

The result is what a sweep on the stored reads would give for these accounts. No files are
loaded, no history is written, and the published tables stay unchanged.
"""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import polars as pl
from rich import box
from rich.console import Console
from rich.table import Table

from pipelines.configuration.fleet import load_fleet
from pipelines.configuration.load_settings import Loaded
from pipelines.stages.assess.assess import assess_bucket
from pipelines.stages.assess.bucket_task import BucketTask
from pipelines.store.leftovers import own_name
from pipelines.store.workspace import Workspace
from pipelines.sweep.stages import learnt_prior, profile_lake, verify_jobs, verify_teaches
from pipelines.sweep.state import Sweep, SweepOrder
from pipelines.work.bucket_work import Pool, Progress
from pipelines.work.observe import StageCost
from rightsize.errors import ConfigError

SHOWN = (
    "account_id", "meter_id", "customer_class", "installed_type", "installed_size_in",
    "verdict", "action", "recommended_type", "recommended_size_in", "net_benefit_usd_per_year",
    "net_benefit_low_usd_per_year", "net_benefit_high_usd_per_year", "odds_of_benefit",
    "odds_of_fit", "reason",
)  # fmt: skip


def preview(
    loaded: Loaded, accounts: Sequence[str], pool: Pool, *, progress: Progress | None = None
) -> pl.DataFrame:
    """One row a meter in service of the accounts, with verdict and reason.

    Raises
    ------
    ConfigError
        If an account has no meter in service, or no reads are loaded yet.
    WorkspaceBusyError
        If a sweep holds the workspace.
    """
    sweep = Sweep(
        loaded=loaded,
        fleet=load_fleet(loaded),
        workspace=loaded.workspace,
        order=SweepOrder(kind="look"),
        pool=pool,
        progress=progress or (lambda stage, done, total: None),
        began_at=dt.datetime.now(dt.UTC),
    )
    if not sweep.workspace.database.is_file():
        raise ConfigError(
            f"workspace {sweep.workspace.root}: no reads yet; run `rightsize sweep` first"
        )
    with sweep.workspace.hold("look"):
        cost = StageCost("look", sweep.began_at)
        profile_lake(sweep, cost)
        tasks = _tasks_of(sweep.tasks, accounts)
        sweep.learnt = learnt_prior(sweep, cost)
        if verify_teaches(sweep):
            verify_jobs(sweep, cost)
        with _aside(sweep.workspace) as folder:
            for task in tasks:
                assess_bucket(sweep.workspace, task, sweep.fleet.settings, sweep.learnt, folder)
            return _rows(folder)


def _tasks_of(tasks: Sequence[BucketTask], accounts: Sequence[str]) -> list[BucketTask]:
    wanted = [
        replace(t, service=t.service.filter(pl.col("account_id").is_in(list(accounts))))
        for t in tasks
    ]
    found = {a for t in wanted for a in t.service["account_id"]}
    missing = [a for a in accounts if a not in found]
    if missing:
        raise ConfigError(
            f"account {', '.join(missing)}: not in meters.csv, or no meter in service"
        )
    return [t for t in wanted if t.service.height]


@contextmanager
def _aside(workspace: Workspace) -> Iterator[Path]:
    folder = workspace.scratch / own_name("look")
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _rows(folder: Path) -> pl.DataFrame:
    """Recommendations, and for meters without one the reason."""
    parts = []
    if judged := sorted((folder / "recommendation").glob("*.parquet")):
        parts.append(
            pl.concat([pl.read_parquet(p, glob=False) for p in judged], how="diagonal_relaxed")
        )
    if refused := sorted((folder / "not_assessed").glob("*.parquet")):
        frame = pl.concat(
            [pl.read_parquet(p, glob=False) for p in refused], how="diagonal_relaxed"
        )
        parts.append(
            frame.with_columns(
                verdict=pl.lit("not_assessed"), reason=pl.col("code") + ": " + pl.col("message")
            )
        )
    whole = pl.concat(parts, how="diagonal_relaxed")
    return whole.select(pl.col(n) for n in SHOWN if n in whole.columns).sort(
        "account_id", "meter_id"
    )


def show_preview(rows: pl.DataFrame, console: Console) -> None:
    """Each meter as a small table of its own: reasons are sentences."""
    for row in rows.iter_rows(named=True):
        table = Table(
            title=f"account {row['account_id']}, meter {row['meter_id']}",
            title_justify="left",
            box=box.SIMPLE,
            show_header=False,
            pad_edge=False,
        )
        for name, value in row.items():
            if value is not None and name not in ("account_id", "meter_id"):
                shown = f"{value:,.2f}" if isinstance(value, float) else str(value)
                table.add_row(name, shown)
        console.print(table)
    console.print("Preview only: nothing was published; published results are unchanged.")
