"""The service's door: who has no secret gets nothing of the Prefect API, nor the secret.

A second user of the machine is a real one, made for the test; a page of another origin is
loaded in Chromium (marker `browser`).
"""

from __future__ import annotations

import base64
import functools
import json
import os
import shutil
import stat
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.faults.service.prefect_service import answers
from tests.faults.service.processes import Started, free_port, process, rightsize, until
from tests.pipelines.small_utility import quick_utility

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

ASK = """
import sys, urllib.request, urllib.error
url, body = sys.argv[1:]
request = urllib.request.Request(url, body.encode(), {"Content-Type": "application/json"})
try:
    with urllib.request.urlopen(request, timeout=20) as answer:
        print(answer.status)
except urllib.error.HTTPError as error:
    print(error.code)
"""


BUSY_S = 60


@dataclass(frozen=True)
class Service:
    """`rightsize schedule` at work, with a server of its own."""

    config: Path
    url: str
    process: Started

    @property
    def secret_file(self) -> Path:
        return self.config.parent / "workspace" / "prefect" / "api_secret"

    @property
    def secret(self) -> str:
        return self.secret_file.read_text().strip()

    def ask(self, path: str, *, secret: str | None = None, **body: Any) -> tuple[int, Any]:
        """Post to the API; status and answer. A server with a busy database is asked again."""
        end = time.monotonic() + BUSY_S
        while True:
            status, answer = self._asked(path, secret, body)
            if status != 503 or time.monotonic() > end:
                return status, answer
            time.sleep(0.5)

    def _asked(self, path: str, secret: str | None, body: dict[str, Any]) -> tuple[int, Any]:
        headers = {"Content-Type": "application/json"}
        if secret is not None:
            code = base64.b64encode(secret.encode()).decode()
            headers["Authorization"] = f"Basic {code}"
        data = json.dumps(body).encode()
        request = urllib.request.Request(f"{self.url}/{path}", data, headers)
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.status, json.loads(answer.read() or "null")
        except urllib.error.HTTPError as error:
            return error.code, None

    def deployment(self, flow: str) -> dict[str, Any] | None:
        _, found = self.ask("deployments/filter", secret=self.secret)
        return next((d for d in found or [] if d["entrypoint"].endswith(flow)), None)

    def end_of(self, run_id: str) -> object:
        """Wait for a run to end; how it did."""

        def ended() -> str | None:
            wanted = {"flow_runs": {"id": {"any_": [run_id]}}}
            _, found = self.ask("flow_runs/filter", secret=self.secret, **wanted)
            kind = str(found[0]["state_type"])
            return kind if kind in ("COMPLETED", "FAILED", "CRASHED", "CANCELLED") else None

        return until(ended, "the run to end")


@pytest.fixture(scope="module")
def service() -> Iterator[Service]:
    """In a folder that every user may enter, as `/srv` is: the modes below it must do."""
    folder = Path(tempfile.mkdtemp(prefix="rightsize-door-"))
    folder.chmod(0o755)
    try:
        config = quick_utility(folder / "utility")
        port = free_port()
        words = rightsize("schedule", config, "--port", str(port), "--workers", "1")
        url = f"http://127.0.0.1:{port}/api"
        with process(*words, log=folder / "serve.log") as started:
            until(lambda: answers(f"{url}/health"), "the service's server")
            made = Service(config, url, started)
            until(lambda: made.secret_file.is_file(), "its secret", 10)
            until(lambda: made.deployment("on_demand"), "its deployments")
            yield made
    finally:
        shutil.rmtree(folder)


@pytest.fixture(scope="module")
def stranger() -> Iterator[str]:
    """A second user of this machine."""
    if os.geteuid() != 0 or not shutil.which("useradd"):
        pytest.skip("only root can make a second user (useradd)")
    name = f"rs{uuid.uuid4().hex[:8]}"
    subprocess.run(["useradd", "--system", "--no-create-home", name], check=True)
    yield name
    subprocess.run(["userdel", name], check=False, capture_output=True)


def as_user(name: str, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words,
        user=name,
        group=name,
        extra_groups=[],
        cwd="/",
        text=True,
        timeout=60,
        capture_output=True,
        check=False,
        env={"PATH": os.environ["PATH"]},
    )


def test_the_api_answers_nobody_without_the_secret_and_its_owner_with_it(service: Service):
    for path in ("deployments/filter", "flow_runs/filter", "block_documents/filter"):
        assert service.ask(path)[0] == 401
        assert service.ask(path, secret="rightsize:guess")[0] == 401
        assert service.ask(path, secret=service.secret)[0] == 200


def test_a_host_name_that_points_at_the_loopback_opens_nothing(service: Service):
    """A page whose own name is made to mean 127.0.0.1 sends that name as Host."""
    request = urllib.request.Request(
        f"{service.url}/deployments/filter",
        b"{}",
        {"Content-Type": "application/json", "Host": "evil.example"},
    )
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(request, timeout=20)
    assert refused.value.code == 401


def test_no_other_origin_is_let_in_by_cors(service: Service):
    def allowed(origin: str) -> str | None:
        request = urllib.request.Request(
            f"{service.url}/deployments/filter",
            method="OPTIONS",
            headers={"Origin": origin, "Access-Control-Request-Method": "POST"},
        )
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return answer.headers.get("Access-Control-Allow-Origin")
        except urllib.error.HTTPError as error:
            return error.headers.get("Access-Control-Allow-Origin")

    own = service.url.removesuffix("/api")
    assert allowed(own) == own
    assert allowed("http://evil.example") is None
    assert allowed("null") is None


def test_a_second_user_can_neither_call_the_api_nor_find_the_secret(
    service: Service, stranger: str
):
    deployment = service.deployment("on_demand")
    assert deployment is not None
    python = shutil.which("python3", path="/usr/bin:/usr/local/bin") or sys.executable
    run = f"{service.url}/deployments/{deployment['id']}/create_flow_run"
    body = json.dumps({"parameters": {"notify": "touch /tmp/came-in"}})
    asked = as_user(stranger, python, "-c", ASK, run, body)
    assert asked.stdout.strip() == "401", asked.stderr
    assert as_user(stranger, "test", "-r", str(service.config)).returncode == 0
    assert as_user(stranger, "cat", str(service.secret_file)).returncode != 0
    assert as_user(stranger, "ls", str(service.secret_file.parent)).returncode != 0
    token = service.secret.partition(":")[2]
    assert token not in as_user(stranger, "ps", "axww", "-o", "args").stdout
    for pid in [service.process.pid, *service.process.descendants()]:
        assert token not in Path(f"/proc/{pid}/cmdline").read_text()
        assert as_user(stranger, "cat", f"/proc/{pid}/environ").returncode != 0


def test_the_secret_and_its_folder_are_the_owners_alone(service: Service):
    assert stat.S_IMODE(service.secret_file.stat().st_mode) == 0o600
    assert stat.S_IMODE(service.secret_file.parent.stat().st_mode) == 0o700
    log = service.secret_file.with_name("server.log").read_text()
    assert service.secret.partition(":")[2] not in log


def test_a_run_cannot_be_told_configuration_command_or_cluster(service: Service):
    """Not even with the secret: a run that is told so fails, and does nothing of it."""
    bound = {"config", "notify", "scheduler"}
    deployment = service.deployment("on_demand")
    assert deployment is not None
    assert not bound & set(deployment["parameters"])
    assert not bound & set(deployment["parameter_openapi_schema"]["properties"])
    assert deployment["enforce_parameter_schema"]
    trace = service.config.parent / "came-in"
    status, run = service.ask(
        f"deployments/{deployment['id']}/create_flow_run",
        secret=service.secret,
        parameters=dict.fromkeys(bound, f"touch {trace}"),
        state={"type": "SCHEDULED"},
    )
    if status in (200, 201):
        assert service.end_of(run["id"]) != "COMPLETED"
    else:
        assert status in (409, 422)
    assert not trace.exists()


def test_a_run_that_its_owner_starts_sweeps(service: Service):
    """Service, server and run know the secret by their environment alone."""
    deployment = service.deployment("on_demand")
    assert deployment is not None
    status, run = service.ask(
        f"deployments/{deployment['id']}/create_flow_run",
        secret=service.secret,
        parameters={"full": True},
        state={"type": "SCHEDULED"},
    )
    assert status in (200, 201)
    assert service.end_of(run["id"]) == "COMPLETED"
    assert (service.config.parent / "workspace/published/results.duckdb").is_file()


PAGE = """<!doctype html><title>evil</title><script>
const api = "{url}";
async function attempt(options) {{
  try {{
    const answer = await fetch(api + "/deployments/filter", options);
    return answer.type + " " + answer.status;
  }} catch (error) {{ return "refused"; }}
}}
async function socket(path) {{
  return await new Promise(done => {{
    const ws = new WebSocket(api.replace("http", "ws") + path, "prefect");
    ws.onopen = () => ws.send(JSON.stringify({{type: "auth", token: null}}));
    ws.onmessage = m => done(JSON.parse(m.data).type);
    ws.onerror = ws.onclose = () => done("closed");
  }});
}}
(async () => {{
  const json = {{"Content-Type": "application/json"}};
  window.found = {{
    plain: await attempt({{method: "POST", body: "{{}}"}}),
    json: await attempt({{method: "POST", body: "{{}}", headers: json}}),
    blind: await attempt({{method: "POST", body: "{{}}", mode: "no-cors"}}),
    cookies: await attempt({{method: "POST", body: "{{}}", credentials: "include"}}),
    events: await socket("/events/in"),
    logs: await socket("/logs/out"),
  }};
}})();
</script>"""


class _Page(BaseHTTPRequestHandler):
    """The page of another origin."""

    def __init__(self, *args: Any, text: str) -> None:
        self._text = text
        super().__init__(*args)

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.end_headers()
        self.wfile.write(self._text.encode())

    def log_message(self, *args: object) -> None:
        pass


@pytest.mark.browser
def test_a_page_of_another_origin_gets_nothing_done(service: Service):
    webdriver = pytest.importorskip("selenium.webdriver", reason="needs the extra `browser`")
    chromium, chromedriver = shutil.which("chromium"), shutil.which("chromedriver")
    if not chromium or not chromedriver:
        pytest.skip("needs chromium and chromedriver")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu"):
        options.add_argument(argument)
    # evil.example means the loopback too, so that its page may reach the API's port by its name
    options.add_argument("--host-resolver-rules=MAP evil.example 127.0.0.1")
    handler = functools.partial(_Page, text=PAGE.format(url=service.url))
    page = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    threading.Thread(target=page.serve_forever, daemon=True).start()
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(chromedriver))
    before = service.ask("flow_runs/count", secret=service.secret)
    try:
        driver.get(f"http://evil.example:{page.server_port}/")
        found = until(lambda: driver.execute_script("return window.found"), "the page", 60)
        assert found == {
            "plain": "refused",
            "json": "refused",
            "blind": "opaque 0",
            "cookies": "refused",
            "events": "closed",
            "logs": "closed",
        }
        # DNS rebinding: the page's own origin is the API's port under the page's name
        port = service.url.removesuffix("/api").rpartition(":")[2]
        driver.get(f"http://evil.example:{port}/api/health")
        status = driver.execute_async_script(
            "const done = arguments[0]; fetch('/api/deployments/filter', {method: 'POST',"
            " body: '{}'}).then(a => done(a.status), e => done(String(e)));"
        )
        assert status == 401
    finally:
        driver.quit()
        page.shutdown()
        page.server_close()
    assert service.ask("flow_runs/count", secret=service.secret) == before
