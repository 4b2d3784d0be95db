"""What a campaign and a test program bring back to the demo, in the order of the loop."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from pipelines.demo.back.logs import log_file, write_logs
from pipelines.demo.back.planted_world import world_of
from pipelines.demo.back.tests_of_meters import (
    TESTS,
    due_meters,
    meters_with_tests,
    name_in_settings,
    write_tests,
)
from rightsize.campaign.visit import Visit
from rightsize.errors import ConfigError


def bring_back(
    folder: Path, visits: Sequence[Visit] | None, *, due_tests: bool = False
) -> list[str]:
    """Files of what was planned and is not back yet; a line for each kind.

    The demo's configuration then names its campaign: no other log comes before the next sweep.

    Parameters
    ----------
    folder : Path
        A demo that `write_demo` made and that was swept.
    visits : sequence of Visit or None
        Of its campaign. Without one, logs come back of the accounts to be logged first.
    due_tests : bool
        Tests of the meters that the newest sweep calls due or draws, and nothing else.

    Raises
    ------
    ConfigError
        If the folder holds no demo, none that was swept, or nothing is left to bring back.
    """
    if due_tests:
        return _due(folder)
    if visits is None:
        return [_logs_line(write_logs(folder), "to be logged first", folder)]
    days, meters = _log_days(visits, folder), _meters_to_test(visits, folder)
    if not days and not meters:
        raise ConfigError(
            "demo: the campaign's logs and tests are all back; run `rightsize sweep` and"
            f" `rightsize campaign` with {folder / 'sweep.yaml'} for the next ones"
        )
    found = []
    name_in_settings(folder / "sweep.yaml", "campaign", "workspace/campaign/visits.csv")
    if days:
        found.append(_logs_line(write_logs(folder, days), "of the campaign", folder))
    if meters:
        found.append(_tests_line(write_tests(folder, meters), "of the campaign", folder))
    return found


def _due(folder: Path) -> list[str]:
    world_of(folder)
    done = write_tests(folder, due_meters(folder))
    if not done:
        raise ConfigError(
            "demo: no meter is due for a test that is not back; run `rightsize sweep`"
            f" {folder / 'sweep.yaml'} first"
        )
    return [_tests_line(done, "due or drawn for a lot", folder)]


def _log_days(visits: Sequence[Visit], folder: Path) -> dict[str, int]:
    """Days that each account is logged, of the logs that are not back yet."""
    _, plans = world_of(folder)
    ours = {plan.account_id for plan in plans}  # not those of planted change-outs
    days = {
        v.account_id: math.ceil(v.duration_days)
        for v in visits
        if v.logger_count and v.account_id in ours
    }
    return {a: n for a, n in days.items() if not log_file(folder / "flow_logs", a).is_file()}


def _meters_to_test(visits: Sequence[Visit], folder: Path) -> set[str]:
    _, plans = world_of(folder)
    ours = {plan.meter_id for plan in plans}
    planned = {v.meter_id for v in visits if v.kind == "accuracy_test"}
    return (planned & ours) - meters_with_tests(folder)


def _logs_line(written: list[Path], whose: str, folder: Path) -> str:
    return f"flow logs: {len(written):,} accounts {whose}, in {folder / 'flow_logs'}"


def _tests_line(done: list[str], whose: str, folder: Path) -> str:
    return f"accuracy tests: {len(done):,} meters {whose}, in {folder / TESTS}"
