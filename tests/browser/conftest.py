"""A headless Chromium and a published fleet for it to look at; skipped where there is none.

Needs Debian's `chromium` and `chromium-driver`, and the extra `browser` (Selenium).
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tarfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from pipelines.pages.evidence import write_site_pages
from pipelines.pages.fleet_pages import write_fleet_pages
from tests.pipelines.pages.evidence_fleet import HOSTILE, PublishedFleet, make_fleet

AXE = "axe-core@4.10.2"
DESKTOP = (1280, 900)
PHONE = (390, 844)
# No window, no sandbox (the tests may run as root in a container), and nothing fetched or sent
# by the browser for itself: a page that asks the network for something must stand out.
ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)


@dataclass
class Browser:
    """A window, and what it has complained about or asked for."""

    driver: Any

    def open(
        self, page: Path, *, size: tuple[int, int] = DESKTOP, scheme: str = "light"
    ) -> None:
        self.logs()
        width, height = size
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500},
        )
        self.driver.execute_cdp_cmd(
            "Emulation.setEmulatedMedia",
            {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
        )
        self.driver.get(page.as_uri())

    def run(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def logs(self) -> tuple[list[str], list[str]]:
        """Console messages and addresses asked for since the last call."""
        said = [entry["message"] for entry in self.driver.get_log("browser")]
        asked = []
        for entry in self.driver.get_log("performance"):
            event = json.loads(entry["message"])["message"]
            if event["method"] == "Network.requestWillBeSent":
                asked.append(event["params"]["request"]["url"])
        return said, asked


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    selenium = pytest.importorskip("selenium", reason="needs the extra `browser` (Selenium)")
    assert selenium
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    chromedriver = shutil.which("chromedriver")
    if not chromium or not chromedriver:
        pytest.skip("needs chromium and chromedriver (Debian: chromium, chromium-driver)")
    options = Options()
    options.binary_location = chromium
    for argument in ARGUMENTS:
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(chromedriver))
    driver.implicitly_wait(5)
    try:
        yield Browser(driver)
    finally:
        driver.quit()


@pytest.fixture(scope="session")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> PublishedFleet:
    made = make_fleet(tmp_path_factory.mktemp("browser"), accounts=140)
    write_fleet_pages(made.workspace)
    wanted = [*HOSTILE.values(), "A000008", "A000009", "A000010"]
    write_site_pages(made.loaded, wanted, workers=1)
    return made


@pytest.fixture(scope="session")
def pages(fleet: PublishedFleet) -> Path:
    """The fleet's pages, by the path behind the link."""
    return (fleet.workspace.published / "pages").resolve()


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The accessibility checker's script, fetched for this run and kept nowhere."""
    if not shutil.which("npm"):
        pytest.skip("needs npm to fetch axe-core")
    folder = tmp_path_factory.mktemp("axe")
    try:
        fetched = subprocess.run(
            ["npm", "pack", "--silent", AXE],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    except subprocess.TimeoutExpired:
        pytest.skip(f"{AXE} could not be fetched within a minute")
    archives = list(folder.glob("*.tgz"))
    if fetched.returncode or not archives:
        pytest.skip(f"{AXE} could not be fetched: {fetched.stderr.strip()[:200]}")
    with tarfile.open(archives[0]) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode("utf-8")
