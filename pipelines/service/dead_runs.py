"""Runs that Prefect shows as running, though their process died with the service.

After a power failure, or `kill -9` of a whole service or worker, nothing reports to the server.
The next run that finds the workspace free does, so that the list of runs is correct.
"""

from __future__ import annotations

import datetime as dt
import logging
from pathlib import Path
from typing import Final
from uuid import UUID

import httpx
from prefect.client.orchestration import SyncPrefectClient, get_client
from prefect.client.schemas.filters import (
    FlowRunFilter,
    FlowRunFilterState,
    FlowRunFilterStateType,
    FlowRunFilterTags,
)
from prefect.client.schemas.objects import FlowRun, State, StateType
from prefect.exceptions import PrefectException
from prefect.states import Crashed

from pipelines.configuration.load_settings import Loaded
from pipelines.work.observe import event

TAG: Final = "rightsize"
"""Of all runs; a second tag is the path of their configuration."""
_AT_WORK: Final = [StateType.RUNNING, StateType.PENDING, StateType.CANCELLING]
YOUNG_S: Final = 30
"""Time a run may take before it locks the workspace."""


def tags(config: Path) -> list[str]:
    """Of the deployments of one configuration; their runs have them too."""
    return [TAG, str(config)]


def end_dead_runs(loaded: Loaded, *, but: UUID | None = None, young_s: float = YOUNG_S) -> int:
    """Mark this configuration's dead runs as crashed; returns how many there were.

    While the workspace is locked something is running: a run that outlived its service, or a
    manual sweep. Nothing is marked then. A server that does not answer does not stop a sweep.
    """
    if loaded.workspace.holder() is not None:
        return 0
    before = dt.datetime.now(dt.UTC) - dt.timedelta(seconds=young_s)
    try:
        with get_client(sync_client=True) as client:
            dead = [r for r in _at_work(client, loaded.path) if r.id != but and _old(r, before)]
            for run in dead:
                state: State[None] = Crashed(message="process ended together with the service")
                client.set_flow_run_state(run.id, state, force=True)
                event("dead run", flow_run=run.name)
    except (httpx.HTTPError, PrefectException, OSError) as error:
        event("check for dead runs failed", level=logging.WARNING, error=str(error))
        return 0
    return len(dead)


def _at_work(client: SyncPrefectClient, config: Path) -> list[FlowRun]:
    return client.read_flow_runs(
        flow_run_filter=FlowRunFilter(
            tags=FlowRunFilterTags(all_=tags(config)),
            state=FlowRunFilterState(type=FlowRunFilterStateType(any_=_AT_WORK)),
        )
    )


def _old(run: FlowRun, before: dt.datetime) -> bool:
    return run.state is not None and run.state.timestamp <= before
