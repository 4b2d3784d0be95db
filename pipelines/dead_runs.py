"""Runs that Prefect believes to be at work, though the process died with its service.

After a loss of power, or `kill -9` of the whole service, nobody is left to tell the server.
When the service starts again it does, so that a list of runs shows what is true.
"""

from __future__ import annotations

from typing import Final

from prefect.client.orchestration import SyncPrefectClient, get_client
from prefect.client.schemas.filters import (
    DeploymentFilter,
    DeploymentFilterName,
    FlowRunFilter,
    FlowRunFilterState,
    FlowRunFilterStateType,
    FlowRunFilterTags,
)
from prefect.client.schemas.objects import FlowRun, State, StateType
from prefect.states import Crashed

from pipelines.load_settings import Loaded
from pipelines.observe import event
from pipelines.workspace import Workspace

TAG: Final = "rightsize"
_AT_WORK: Final = [StateType.RUNNING, StateType.PENDING, StateType.CANCELLING]


def end_dead_runs(loaded: Loaded) -> int:
    """Mark this utility's runs that nobody works on as crashed; how many there were.

    While the workspace is held somebody works: a run that outlived its service, or a sweep by
    hand. Nothing is marked then.
    """
    if Workspace(loaded.workspace_root).holder() is not None:
        return 0
    with get_client(sync_client=True) as client:
        dead = _runs(client, loaded.settings.utility)
        for run in dead:
            state: State[None] = Crashed(message="its process died with the service")
            client.set_flow_run_state(run.id, state, force=True)
            event("dead run", flow_run=run.name)
    return len(dead)


def _runs(client: SyncPrefectClient, utility: str) -> list[FlowRun]:
    return client.read_flow_runs(
        flow_run_filter=FlowRunFilter(
            tags=FlowRunFilterTags(all_=[TAG]),
            state=FlowRunFilterState(type=FlowRunFilterStateType(any_=_AT_WORK)),
        ),
        deployment_filter=DeploymentFilter(name=DeploymentFilterName(any_=[utility])),
    )
