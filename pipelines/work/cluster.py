"""A Dask cluster as the pool of a sweep: workers on many machines, one shared workspace.

Workers read and write the workspace by its path, so it must be on storage mounted under the
same path on every machine. A bucket's task writes to a temporary file and renames it, so a task
that runs twice, because a worker died, gives the same result.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Pool
from rightsize.errors import ClusterError, ConfigError, RightsizeError

CONNECT_S: Final = 20
FIRST_WORKER_S: Final = 120
RETRIES: Final = 3
"""Retries of a failed bucket task; a task whose worker died is also rescheduled."""


@contextmanager
def dask_pool(address: str, workspace: Workspace) -> Iterator[Pool]:
    """The workers behind a Dask scheduler.

    Raises
    ------
    ConfigError
        If Dask is not installed, the scheduler does not answer, or no worker joins in time.
    ClusterError
        If a worker does not see the workspace.
    """
    check_cluster(address, workspace)
    client = _client(address)
    try:
        yield Pool(
            client.get_executor(pure=False, retries=RETRIES),
            sees_workspace=workspace.lake_url is None,
        )
    finally:
        client.close()


def check_cluster(address: str, workspace: Workspace) -> None:
    """Reject a cluster that cannot run a sweep; as `dask_pool` does."""
    client = _client(address)
    try:
        _await_worker(client, address)
        see_workspace(client, workspace)
    finally:
        client.close()


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise ConfigError(
            "--scheduler needs Dask, which is not installed; "
            "run: pip install 'rightsize[cluster]'"
        ) from None
    try:
        return Client(  # type: ignore[no-untyped-call]  # Dask has no types
            address, timeout=CONNECT_S, set_as_default=False
        )
    except (OSError, TimeoutError, ValueError) as error:
        raise ConfigError(f"no Dask scheduler answers at {address}: {error}") from None


def _await_worker(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=FIRST_WORKER_S)
    except TimeoutError:
        raise ConfigError(
            f"the Dask scheduler at {address} has no workers after {FIRST_WORKER_S} s; "
            "start workers with: dask worker ADDRESS --nthreads 1"
        ) from None


def see_workspace(client: Any, workspace: Workspace) -> None:
    """Reject workers that have another folder, or none, under the workspace's path.

    If the lake is in an object store, they need access to that store instead.
    """
    if workspace.lake_url is not None:
        _reach_store(client, workspace)
        return
    token = workspace.scratch / f"token-{uuid.uuid4().hex}"
    token.parent.mkdir(parents=True, exist_ok=True)
    token.touch()
    try:
        blind = [w for w, seen in client.run(is_there, str(token)).items() if not seen]
    finally:
        token.unlink(missing_ok=True)
    if blind:
        raise ClusterError(
            f"workers {', '.join(_named(client, blind))} cannot access workspace "
            f"{workspace.root}; it must be on shared storage, mounted under the same path on "
            "every machine"
        )


def _named(client: Any, addresses: list[str]) -> list[str]:
    """Workers by their name and address."""
    names = client.run(name_of, workers=addresses)
    return sorted(f"{name} ({address})" for address, name in names.items())


def is_there(path: str) -> bool:
    """Whether this worker can read a file."""
    return Path(path).is_file()


def _reach_store(client: Any, workspace: Workspace) -> None:
    """Each worker writes an object of its own, and reads it."""
    errors = client.run(tried_store, workspace)
    blind = {worker: error for worker, error in sorted(errors.items()) if error}
    if blind:
        worker, error = next(iter(blind.items()))
        raise ClusterError(
            f"workers {', '.join(blind)} cannot write the lake in {workspace.lake_url}: "
            f"{worker} reports {error}; every worker needs the store's library, and the "
            "address and credentials of the store in its environment"
        )


def tried_store(workspace: Workspace) -> str | None:
    """The error that prevents this worker from writing the lake; None if there is none."""
    name = workspace.assess / f"token-{uuid.uuid4().hex}"
    storage = workspace.storage
    try:
        with storage.making(name) as own:
            (own / "token").write_text("write test of a worker", encoding="utf-8")
        with storage.at_hand([name / "token"]):
            pass
        storage.keep_folders(name.parent, name.name, ())
    except (RightsizeError, OSError) as error:
        return f"{type(error).__name__}: {error}"
    return None


def name_of(dask_worker: Any) -> str:
    """The name of this worker; Dask supplies the argument by its name."""
    return str(dask_worker.name)
