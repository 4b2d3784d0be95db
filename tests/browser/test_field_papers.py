"""Papers of a campaign in a real browser: on a phone, in the dark, and one sheet in print."""

from __future__ import annotations

import base64
import datetime as dt
import re
from dataclasses import asdict
from pathlib import Path

import pytest

from pipelines.pages import work_orders
from pipelines.pages.work_orders import Papers, write_work_orders
from rightsize.campaign.visit import Visit
from rightsize.evidence.field.learned import learned_of
from rightsize.evidence.field.words import TITLE
from tests.browser.conftest import PHONE, Browser
from tests.pipelines.pages.evidence_fleet import HOSTILE, PublishedFleet
from tests.unit.evidence.field.test_campaign_page import LOGGED
from tests.unit.evidence.field.visits import VISIT

DESK = (1180, 900)
PIXEL = 1.5  # of a drawn edge


@pytest.fixture(scope="module")
def papers(fleet: PublishedFleet, tmp_path_factory: pytest.TempPathFactory) -> Papers:
    kinds = list(TITLE)
    chosen = [*HOSTILE.values(), "A000008", "A000009", "A000010"]
    visits = [
        Visit(**{**asdict(VISIT), "account_id": account, "area": f"Area {k % 4}",
                 "meter_id": f"M{fleet.accounts.index(account):06}", "kind": kinds[k % 5],
                 "week_start_on": dt.date(2026, 2, 2) + dt.timedelta(weeks=k % 7)})
        for k, account in enumerate(chosen)
    ]  # fmt: skip
    folder = tmp_path_factory.mktemp("papers")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(work_orders, "learned_so_far", lambda *_, **__: learned_of(LOGGED))
        return write_work_orders(fleet.loaded, visits, folder)


def every(papers: Papers) -> list[Path]:
    return [papers.campaign, *papers.lists, *papers.orders]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_no_paper_complains_reaches_out_or_runs_wide(browser, papers, size, scheme) -> None:
    for page in every(papers):
        browser.open(page, size=size, scheme=scheme)
        said, asked = browser.logs()
        assert said == [], f"{page.name}: {said}"
        assert all(url.startswith(("file:", "data:")) for url in asked), page.name
        width = browser.run("return document.documentElement.scrollWidth")
        assert width <= size[0] + PIXEL, f"{page.name}: {width}"


def test_a_work_order_is_one_sheet(browser: Browser, papers: Papers) -> None:
    for page in papers.orders:
        browser.open(page, size=DESK)
        printed = browser.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})
        pdf = base64.b64decode(printed["data"])
        assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 1, page.name


def test_a_crew_reaches_the_work_order_from_its_list(browser: Browser, papers: Papers) -> None:
    browser.open(papers.campaign, size=DESK)
    for page in papers.lists:
        browser.open(page, size=DESK)
        links = browser.run(
            "return [...document.querySelectorAll('tbody a')].map(a => a.getAttribute('href'))"
        )
        for link in links:
            assert (papers.folder / link.replace("%20", " ").replace("%7E", "~")).is_file()
