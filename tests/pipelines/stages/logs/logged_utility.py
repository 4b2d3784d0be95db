"""A utility of four meters with a month of hourly reads and the flow behind them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipelines.configuration.fleet import in_service, load_fleet
from pipelines.stages.land.land import land
from pipelines.stages.land.land_flow_logs import LandedLogs, land_flow_logs, landed_logs
from pipelines.stages.logs.compare import ComparedLogs, compare_logs
from pipelines.stages.profile.profile import profile
from tests.pipelines.exports import Utility

EXPORT = {
    "layout": "interval",
    "columns": {"meter_id": "meter", "at": "end", "volume": "gal"},
}
DAYS = 24
FIRST = dt.datetime(2025, 5, 5, 6, tzinfo=dt.UTC)  # local midnight in Denver
STEP_S = 30
STEPS_A_DAY = 86_400 // STEP_S


def flow_gpm(seed: int, *, steady_gpm: float = 0.6) -> np.ndarray:
    """Draws of some minutes on a steady flow, by day and night [gpm, DAYS x STEPS_A_DAY]."""
    rng = np.random.default_rng(seed)
    flow = np.full(DAYS * STEPS_A_DAY, steady_gpm)
    for day in range(DAYS):
        for start in rng.integers(int(STEPS_A_DAY * 0.25), STEPS_A_DAY - 90, 60):
            at = day * STEPS_A_DAY + int(start)
            flow[at : at + int(rng.integers(1, 20))] += rng.choice([2.0, 3.0, 8.0])
    return flow


@dataclass
class Logged:
    """The utility, and the true flow of two of its meters."""

    utility: Utility
    flow: dict[str, np.ndarray]

    def write(self, name: str, rows: list[str], **keys: object) -> Path:
        """A logger's file: keys, then rows below `at,flow` or the columns of `_columns`."""
        columns = keys.pop("_columns", "at,flow")
        path = self.utility.folder / "flow_logs" / name
        path.parent.mkdir(exist_ok=True)
        head = [f"# {key}: {value}" for key, value in keys.items()]
        path.write_text("\n".join([*head, str(columns), *rows]) + "\n")
        return path

    def land(self) -> LandedLogs:
        """Land what is new."""
        loaded = self.utility.loaded
        return land_flow_logs(loaded, loaded.workspace)

    def compare(self) -> ComparedLogs:
        """Land, and hold every log against the register."""
        loaded = self.utility.loaded
        self.land()
        fleet = load_fleet(loaded)
        profile(loaded.workspace, timezone=loaded.settings.timezone)
        return compare_logs(
            loaded.workspace,
            landed_logs(loaded.workspace),
            fleet,
            in_service(fleet, as_of=dt.date(2025, 6, 1)),
            zone=loaded.settings.timezone,
        )


def rows_of(flow: np.ndarray, *, first_day: int, days: int, drift_s: float = 0.0) -> list[str]:
    """Rows of a flow log at 30 s, stamped in UTC at the end of each sample."""
    part = flow[first_day * STEPS_A_DAY : (first_day + days) * STEPS_A_DAY]
    start = FIRST + dt.timedelta(days=first_day)
    out = []
    for k, gpm in enumerate(part):
        at = start + dt.timedelta(seconds=(k + 1) * STEP_S * (1 + drift_s / 86_400))
        out.append(f"{at.strftime('%Y-%m-%d %H:%M:%S.%f')}Z,{gpm:.4f}")
    return out


def logged_utility(folder: Path) -> Logged:
    """Reads of two meters whose flow is known, a gallon a step; both start to turn at once."""
    utility = Utility(folder, EXPORT, more={"flow_logs": {"path": "flow_logs/*"}})
    flows = {"M1": flow_gpm(1), "M3": flow_gpm(2)}
    lines = ["meter,end,gal"]
    for meter, flow in flows.items():
        dial = np.floor(np.cumsum(flow * STEP_S / 60)[119::120])
        gal = np.diff(dial, prepend=0.0)
        if meter == "M3":
            gal = gal / 10  # its multiplier
        for k, value in enumerate(gal):
            at = FIRST + dt.timedelta(hours=k + 1)
            lines.append(f"{meter},{at.isoformat()},{value:.1f}")
    utility.write("reads.csv", "\n".join(lines) + "\n")
    land(utility.loaded, utility.workspace)
    return Logged(utility, flows)
