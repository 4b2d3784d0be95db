"""Write the demo utility into a folder: configuration, exports, meters, tariff, truth."""

from __future__ import annotations

import ctypes
import os
import shutil
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Final

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import read_model
from pipelines.demo import exports, tables
from pipelines.demo.account import Account, Served, World, account_of
from pipelines.demo.calendar import calendar_of
from pipelines.demo.changed.changed_account import ChangedAccount, changed_account
from pipelines.demo.changed.pilot import promised_meters, write_history
from pipelines.demo.changed.planted import ChangeOut, change_outs_of
from pipelines.demo.fleet import UTILITY, Plan, fleet_of
from pipelines.store.resources import config_path
from rightsize.errors import ConfigError
from rightsize.settings import Tariff, Thresholds

DEFAULT_SEED: Final = 20
IN_ONE_PROCESS: Final = 24  # accounts below which starting workers costs more than it saves
ACCOUNTS_A_TASK: Final = 4
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of <malloc.h>


@dataclass(frozen=True)
class DemoSummary:
    """What was written, for the last lines of the command."""

    utility: str
    config: Path
    accounts: int
    changed_accounts: int  # beside them, whose meter was changed in mid-history
    months: int
    files: int
    rows: int
    bytes_written: int

    @property
    def text(self) -> str:
        """One line that describes what was written."""
        return (
            f"{self.utility} (fictitious): {self.accounts:,} accounts{self.beside}, "
            f"{self.months} months, "
            f"{self.rows:,} rows in {self.files} files, {self.bytes_written / 1e6:.0f} MB"
        )

    @property
    def beside(self) -> str:
        """The planted change-outs in words; empty if there are none."""
        return (
            f" and {self.changed_accounts} with a change-out" if self.changed_accounts else ""
        )


def write_demo(
    folder: Path,
    *,
    accounts: int = 400,
    months: int = 13,
    seed: int = DEFAULT_SEED,
    workers: int | None = None,
    catalogue: Path | None = None,
    is_compressed: bool = False,
) -> DemoSummary:
    """Write a seeded demo utility into `folder`; the same arguments give the same bytes.

    Parameters
    ----------
    folder : Path
        Made if missing. Must be empty, or hold an earlier demo: that goes, with its workspace.
    accounts, months, seed
        Size of the fleet, length of its exports, and what it is drawn from.
    workers : int, optional
        Processes to simulate with; as many as there are processors if not given.
    catalogue : Path, optional
        Catalog to buy meters from; the shipped one if not given.
    is_compressed : bool
        Whether exports are written as `.csv.gz`.

    Returns
    -------
    DemoSummary
        What was written.

    Raises
    ------
    ConfigError
        If the folder holds something else, or the numbers asked for are out of range.
    """
    try:
        plans, calendar = fleet_of(accounts, seed), calendar_of(months)
    except ValueError as error:
        raise ConfigError(f"demo: {error}") from None
    _clear(folder)
    source = catalogue or config_path("catalogue.yaml")
    shutil.copyfile(source, folder / "catalogue.yaml")
    tables.write_settings(folder)
    world = World(
        calendar=calendar,
        catalogue=load_catalogue(folder / "catalogue.yaml"),
        tariff=read_model(folder / "tariff.yaml", Tariff),
        thresholds=read_model(folder / "thresholds.yaml", Thresholds),
        seed=seed,
        correction_month=months // 3,
        suffix=".gz" if is_compressed else "",
    )
    planned = change_outs_of(accounts, months)
    served = simulated((*plans, *planned), world, workers or os.cpu_count() or 1)
    fleet = [a for a in served if isinstance(a, Account)]
    changed = [a for a in served if isinstance(a, ChangedAccount)]
    written = exports.write_exports(folder, served, world)
    tables.write_tables(folder, fleet, changed, world, written)
    if changed:
        write_history(folder)
    return DemoSummary(
        UTILITY,
        folder / "sweep.yaml",
        accounts,
        len(changed),
        months,
        len(written),
        sum(f.rows for f in written),
        sum((folder / f.file).stat().st_size for f in written),
    )


def _clear(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise ConfigError(f"demo: {folder} is a file; give a folder")
    try:
        str(folder).encode()
    except UnicodeEncodeError:
        raise ConfigError(f"demo: the name of {folder} is not UTF-8; give another") from None
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()) and not (folder / tables.MARK).is_file():
        raise ConfigError(
            f"demo: {folder} is not empty and has no earlier demo; give another folder"
        )
    for name in ("workspace", "exports", "truth", "flow_logs"):  # old reads would mix
        shutil.rmtree(folder / name, ignore_errors=True)
    (folder / "accuracy_tests.csv").unlink(missing_ok=True)
    for name in ("exports", "truth"):
        (folder / name).mkdir()
    tables.write_mark(folder, {})


_world: World | None = None  # of a worker process, set once when it starts


def _start_worker(world: World) -> None:
    global _world
    _world = world
    _keep_freed_memory()


def _keep_freed_memory() -> None:
    """Arrays that are freed stay with the process, where its C library is glibc.

    Otherwise each is given back and its pages are cleared for the next one: a tenth of the
    processor time of an account, whose flow is a dozen arrays of megabytes.
    """
    with suppress(OSError, AttributeError):
        set_option = ctypes.CDLL(None).mallopt
        set_option(_TRIM_THRESHOLD, 1 << 30)
        set_option(_MMAP_THRESHOLD, 1 << 25)  # the largest that it takes


def _work(plan: Plan | ChangeOut) -> Served:
    assert _world is not None
    return _served(plan, _world)


def _served(plan: Plan | ChangeOut, world: World) -> Served:
    if isinstance(plan, Plan):
        return account_of(plan, world)
    promised = promised_meters().get(plan.account_id) if plan.follows_pilot else None
    return changed_account(plan, promised, world)


def simulated(plans: tuple[Plan | ChangeOut, ...], world: World, workers: int) -> list[Served]:
    """Every account, by as many processes as are worth it."""
    if workers == 1 or len(plans) <= IN_ONE_PROCESS:
        return [_served(plan, world) for plan in plans]
    with ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_start_worker, initargs=(world,)
    ) as pool:
        return list(pool.map(_work, plans, chunksize=ACCOUNTS_A_TASK))
