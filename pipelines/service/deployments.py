"""Serves the flows: `rightsize schedule` runs them in the utility's time zone.

Without a configured Prefect API a built-in server is started on localhost, with its database
in `prefect/` of the workspace; it ends with the service.

Deployments do not use Prefect's concurrency limits. A limit is a lease in the memory of the
server: a server restart ends the run that holds it, and a run killed together with its server
holds it forever. The service runs one sweep at a time, and the workspace lock excludes all
others.
"""

from __future__ import annotations

import http.client
import logging
import os
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from importlib.util import find_spec
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
"""On the 2nd: reads of the last day of a month arrive in the first night after it."""
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
    """Nightly and monthly deployments by cron in the utility's zone, and one on demand.

    Raises
    ------
    ConfigError
        If a cron schedule is invalid.
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
            raise ConfigError(
                f"invalid cron schedule {cron!r}: {error}; for example, '0 2 * * *'"
            ) from None
    return made


def serve_forever(
    loaded: Loaded,
    *,
    port: int | None = None,
    scheduler: str | None = None,
    notify: str | None = None,
    **options: Any,
) -> None:
    """Serve until stopped. Runs one at a time: a second one waits.

    Raises
    ------
    ConfigError
        If Prefect is not installed, or every user of this host can change the configuration or
        the workspace.
    """
    _require_prefect()
    refuse_open_to_all(loaded.path, loaded.workspace.root)
    print(serving_words(loaded, options), flush=True)
    RunBounds(loaded.path, scheduler, notify).put()
    _own_code_only()
    with prefect_api(loaded.workspace.root / "prefect", port) as url:
        from prefect import serve

        _tell_if_open(url)

        from pipelines.service.dead_runs import end_dead_runs

        end_dead_runs(loaded, young_s=0)  # no other service runs flows of this utility
        serve(*deployments(loaded, **options), limit=1, pause_on_shutdown=False)


def _require_prefect() -> None:
    if find_spec("prefect") is None:
        raise ConfigError(
            "`schedule` needs Prefect, which is not installed; run: pip install "
            "'rightsize[service]'. Without it, run `rightsize sweep` from a timer or cron"
        )


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
    """The configured Prefect API, or a server on localhost while the block runs.

    That server deletes runs after 90 days, so that its database does not grow forever. It
    requires the secret, and lets no page of another origin read its answers.
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
    pages = home / "pages"  # by default beside its own code, where a service may not write
    pages.mkdir(exist_ok=True)
    os.environ.setdefault("PREFECT_SERVER_UI_STATIC_DIRECTORY", str(pages))
    try:
        with closing(OwnServer(home, port)) as server:
            yield server.url
    finally:
        for name in own:
            os.environ.pop(name, None)


def _tell_if_open(url: str) -> None:
    """Warn if the operator's own Prefect API does not require a secret."""
    request = urllib.request.Request(
        f"{url}/deployments/count", data=b"{}", headers={"Content-Type": "application/json"}
    )
    try:
        with urllib.request.urlopen(request, timeout=_ASK_S):
            event(
                "the Prefect API requires no secret: anyone who can reach it can run any"
                " command as this user; start its server with PREFECT_SERVER_API_AUTH_STRING",
                level=logging.WARNING,
            )
    except (OSError, http.client.HTTPException, ValueError):
        return  # it does, or does not answer: the client reports that


def _own_code_only() -> None:
    """Child processes must not load code from their working directory."""
    if Path.cwd() != Path(__file__).resolve().parents[2]:  # else it is where our code lies
        os.environ["PYTHONSAFEPATH"] = "1"
