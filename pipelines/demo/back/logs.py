"""Logs that come back to the demo: the true flow, as a clamp-on would bring it, every 10 s."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.account import DAY_S, World, drawn_by
from pipelines.demo.back.planted_world import world_of
from pipelines.demo.calendar import Calendar
from pipelines.demo.fleet import Plan
from pipelines.store.storage import write_text
from pipelines.store.warehouse import connect
from rightsize.errors import ConfigError

LOG_DAYS: Final = 14
STEP_S: Final = 10
ERROR_PCT: Final = 2.0  # half a 90 % range, as a clamp-on's (common practice)
_SDS: Final = 1.645  # of a half 90 % range
_JULY: Final = 6
_LAST_DAYS: Final = 3  # of the span, that the logs leave out


def write_logs(folder: Path, log_days: Mapping[str, int] | None = None) -> list[Path]:
    """Logs of a swept demo's accounts into its folder `flow_logs`.

    Parameters
    ----------
    folder : Path
        A demo that `write_demo` made.
    log_days : mapping, optional
        Days that each account is logged; `LOG_DAYS` at those that the newest sweep would log
        first if not given.

    Raises
    ------
    ConfigError
        If the folder holds no demo, or none that was swept.
    """
    world, plans = world_of(folder)
    wanted = dict.fromkeys(_to_be_logged(folder), LOG_DAYS) if log_days is None else log_days
    target = folder / "flow_logs"
    target.mkdir(exist_ok=True)
    return [
        _write(target, plan, world, wanted[plan.account_id])
        for plan in plans
        if plan.account_id in wanted
    ]


def _to_be_logged(folder: Path) -> list[str]:
    """Accounts that the newest published sweep would log first."""
    results = folder / "workspace" / "published" / "results.duckdb"
    found = []
    if results.is_file():
        with connect(results, read_only=True) as connection:
            found = connection.execute(
                "select distinct account_id from results.recommendation"
                " where action = 'log_first' and sweep_id ="
                " (select max(sweep_id) from results.sweep where utility is not null)"
                " order by account_id"
            ).fetchall()
    if not found:
        raise ConfigError(
            f"demo: no account is to be logged first; run `rightsize sweep"
            f" {folder / 'sweep.yaml'}`, then this again"
        )
    return [account for (account,) in found]


def log_file(target: Path, account_id: str) -> Path:
    """File of an account's log."""
    return target / f"{account_id}.csv"


def _write(target: Path, plan: Plan, world: World, days: int) -> Path:
    """One log: flow every 10 s, out by the sensor's error."""
    flow = drawn_by(plan, world).flow
    first_s = _first_s(plan, world.calendar, days)
    edge = first_s + STEP_S * np.arange(days * DAY_S // STEP_S + 1)
    gpm = np.diff(flow.gal_at(edge)) * 60 / STEP_S
    rng = np.random.default_rng([world.seed, 3, plan.index])
    gpm = gpm * np.exp(ERROR_PCT / 100 / _SDS * rng.standard_normal())
    start = world.calendar.start_at + dt.timedelta(seconds=int(first_s))
    keys = {
        "account_id": plan.account_id,
        "meter_id": plan.meter_id,
        "measures": "pipe",
        "error_pct": f"{ERROR_PCT:g}",
        "start_at": start.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "step_s": STEP_S,
    }
    path = log_file(target, plan.account_id)
    head = [f"# {key}: {value}" for key, value in keys.items()]
    write_text(path, "\n".join([*head, "flow", *_texts(gpm)]) + "\n")
    return path


def _texts(gpm: NDArray[np.float64]) -> list[str]:
    return [f"{value:.3f}".rstrip("0").rstrip(".") or "0" for value in gpm.tolist()]


def _first_s(plan: Plan, calendar: Calendar, days: int) -> int:
    """Second at which the log begins: shortly before the end, irrigation in July."""
    last = int(calendar.day[-1]) + 1 - days - _LAST_DAYS
    day = max(last, 0)
    july = np.flatnonzero(calendar.month_of_year == _JULY)
    if plan.customer_class == "irrigation" and len(july):
        day = min(int(calendar.day[july[0]]) + 7, day)
    return int(calendar.day_start_s[day])
