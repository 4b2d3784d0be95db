"""Serving the flows: `rightsize schedule` runs them by the clock of the utility.

Without a configured Prefect API a server of our own is started on the loopback, with its
database in `prefect/` of the workspace; it ends with the service, and not before.

Deployments have no concurrency limit of Prefect's. A limit is a lease in the memory of the
server: a server that restarts ends the run that holds it, and a run that was killed together
with its server holds it for ever. That one sweep runs at a time is the service's own order, and
the workspace's lock holds it against everybody else.
"""

from __future__ import annotations

import http.client
import logging
import os
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

from pipelines.configuration.load_settings import Loaded
from pipelines.service.own_server import OwnServer, free_port
from pipelines.service.run_bounds import RunBounds
from pipelines.store.private_files import api_secret, refuse_open_to_all
from pipelines.work.observe import event
from rightsize.errors import ConfigError

if TYPE_CHECKING:
    from prefect.deployments.runner import RunnerDeployment

NIGHTLY: Final = "0 2 * * *"
MONTHLY: Final = "0 4 2 * *"
"""The second: the last day of a month comes in with the first night after it."""
_ASK_S: Final = 10
_QUIET: Final = {"PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1"}


def deployments(
    loaded: Loaded,
    *,
    nightly_cron: str = NIGHTLY,
    monthly_cron: str = MONTHLY,
    workers: int | None = None,
    budget_usd: float | None = None,
    crews: int | None = None,
) -> list[RunnerDeployment]:
    """Nightly and monthly by cron in the utility's zone, and one that waits to be asked.

    Raises
    ------
    ConfigError
        If a cron expression is not understood.
    """
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    from pipelines.service import flows
    from pipelines.service.dead_runs import tags

    shared: dict[str, Any] = {"workers": workers}
    yearly = {**shared, "budget_usd": budget_usd, "crews": crews}
    zone = loaded.settings.timezone
    name = loaded.settings.utility
    made = []
    for flow, cron, parameters in (
        (flows.nightly, nightly_cron, shared),
        (flows.monthly, monthly_cron, yearly),
        (flows.on_demand, None, shared),
    ):
        try:
            schedule = None if cron is None else Cron(cron, timezone=zone)
            deployment = flow.to_deployment(
                name=name,
                schedule=schedule,
                parameters=parameters,
                tags=tags(loaded.path),
                enforce_parameter_schema=True,
                entrypoint_type=EntrypointType.MODULE_PATH,
            )
            made.append(cast("RunnerDeployment", deployment))  # a coroutine only in async code
        except ValueError as error:
            raise ConfigError(f"cron {cron!r} is not understood: {error}") from None
    return made


def serve_forever(
    loaded: Loaded,
    *,
    port: int | None = None,
    scheduler: str | None = None,
    notify: str | None = None,
    **options: Any,
) -> None:
    """Serve until stopped. One run at a time: a second waits for the first to end.

    Raises
    ------
    ConfigError
        If every user of this machine may change the configuration or the workspace.
    """
    refuse_open_to_all(loaded.path, loaded.workspace.root)
    print(serving_words(loaded, options), flush=True)
    RunBounds(loaded.path, scheduler, notify).put()
    _own_code_only()
    with prefect_api(loaded.workspace.root / "prefect", port) as url:
        from prefect import serve

        _tell_if_open(url)

        from pipelines.service.dead_runs import end_dead_runs

        end_dead_runs(loaded, young_s=0)  # of this utility nobody else serves runs
        serve(*deployments(loaded, **options), limit=1, pause_on_shutdown=False)


def serving_words(loaded: Loaded, options: Mapping[str, Any]) -> str:
    """What the service is about to do, told before it takes its time to start."""
    nightly = options.get("nightly_cron", NIGHTLY)
    monthly = options.get("monthly_cron", MONTHLY)
    return (
        f"serving {loaded.settings.utility}: nightly sweep at {nightly!r}, monthly at "
        f"{monthly!r} (cron, {loaded.settings.timezone}); starting Prefect takes up to a "
        "minute; ends with Ctrl-C"
    )


@contextmanager
def prefect_api(home: Path, port: int | None = None) -> Iterator[str]:
    """The configured Prefect API, or a server on the loopback for as long as the block runs.

    That server forgets runs after 90 days: its database would grow for ever otherwise. It
    answers only who knows its secret, and lets no page of another origin read its answers.
    """
    configured = os.environ.get("PREFECT_API_URL")
    if configured:
        yield configured
        return
    secret = api_secret(home)
    port = port or free_port()
    origin = f"http://127.0.0.1:{port}"
    own = {
        "PREFECT_API_URL": f"{origin}/api",
        "PREFECT_API_AUTH_STRING": secret,
        "PREFECT_SERVER_API_AUTH_STRING": secret,
        "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": origin,
    }
    os.environ.update(_QUIET, PREFECT_HOME=str(home), **own)
    os.environ.setdefault("PREFECT_SERVER_SERVICES_DB_VACUUM_ENABLED", "events,flow_runs")
    pages = home / "pages"  # else beside its own code, where a service may not write
    pages.mkdir(exist_ok=True)
    os.environ.setdefault("PREFECT_SERVER_UI_STATIC_DIRECTORY", str(pages))
    try:
        with closing(OwnServer(home, port)) as server:
            yield server.url
    finally:
        for name in own:
            os.environ.pop(name, None)


def _tell_if_open(url: str) -> None:
    """A Prefect API of the operator's that answers everybody is worth a warning."""
    request = urllib.request.Request(
        f"{url}/deployments/count", data=b"{}", headers={"Content-Type": "application/json"}
    )
    try:
        with urllib.request.urlopen(request, timeout=_ASK_S):
            event(
                "the Prefect API asks for no secret: whoever reaches it can run any command as"
                " this user; start its server with PREFECT_SERVER_API_AUTH_STRING",
                level=logging.WARNING,
            )
    except (OSError, http.client.HTTPException, ValueError):
        return  # it asks, or does not answer: the client will say


def _own_code_only() -> None:
    """The processes that this one starts look for no code in the folder they start in."""
    if Path.cwd() != Path(__file__).resolve().parents[2]:  # else it is where our code lies
        os.environ["PYTHONSAFEPATH"] = "1"
