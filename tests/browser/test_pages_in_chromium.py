"""What a reader meets: pages in a real browser, by mouse, keyboard, phone and printer."""

from __future__ import annotations

import base64
import re
import time
from pathlib import Path
from urllib.parse import unquote, urlparse

import duckdb
import pytest

from rightsize.evidence.file_names import page_file
from tests.browser.conftest import DESKTOP, PHONE
from tests.pipelines.pages.evidence_fleet import DAYS, HOSTILE

FLEET = ("index", "list", "changes", "quality", "words")
SITES = ("A000008", "A000009", "A000010", *HOSTILE.values())
PIXEL = 1.5  # of a drawn edge


def site_path(pages, account):
    return pages / "sites" / page_file(account)


def every_page(pages):
    return [pages / f"{n}.html" for n in FLEET] + [site_path(pages, a) for a in SITES]


def ready(browser):
    """Wait until the list has been drawn by its script."""
    for _ in range(100):
        if "among them" in state(browser) or "No meter" in state(browser):
            return
        time.sleep(0.05)
    raise AssertionError(f"the list is not ready: {state(browser)}")


def state(browser):
    return browser.run("return document.getElementById('state').textContent")


def accounts_shown(browser):
    return browser.run(
        "return [...document.querySelectorAll('#list .open bdi')].map(e => e.textContent)"
    )


def column_shown(browser, key):
    return browser.run(
        "const at = [...document.querySelectorAll('#list th')]"
        ".findIndex(h => h.dataset.key === arguments[0]);"
        "return [...document.querySelectorAll('#list tbody tr')]"
        ".map(r => r.cells[at].firstChild ? r.cells[at].firstChild.textContent : '')",
        key,
    )


def figure(text):
    return float(re.sub(r"[^\d.\-]", "", text.replace("\u2212", "-")))


def asked(fleet, sql):
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        return connection.execute(sql).fetchall()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_no_page_complains_or_reaches_out_or_runs_wide(browser, pages, size, scheme):
    for page in every_page(pages):
        browser.open(page, size=size, scheme=scheme)
        if page.name == "list.html":
            ready(browser)
        said, wanted = browser.logs()
        assert said == [], f"{page.name}: {said}"
        outside = [url for url in wanted if urlparse(url).scheme not in ("file", "data")]
        assert outside == [], f"{page.name}: {outside}"
        width = browser.run("return document.documentElement.scrollWidth")
        assert width <= size[0], f"{page.name} is {width} wide"


def test_a_hostile_name_runs_nothing_and_adds_nothing(browser, pages):
    for page in every_page(pages):
        browser.open(page)
        if page.name == "list.html":
            ready(browser)
        assert browser.run("return document.title") != "harmed"
        assert browser.run("return document.querySelectorAll('img, iframe').length") == 0
        scripts = browser.run("return document.querySelectorAll('body script').length")
        assert scripts == (1 if page.name == "list.html" else 0)


def test_the_policy_refuses_what_is_put_into_a_page(browser, pages):
    """Scripts, handlers, frames, pictures and requests that no page of ours has."""
    for page in (pages / "index.html", pages / "list.html", site_path(pages, "A000008")):
        browser.open(page)
        if page.name == "list.html":
            ready(browser)
        browser.run(PUT_IN)
        time.sleep(0.3)
        assert browser.run("return document.title") != "harmed", page.name
        refused = set(browser.run("return window.refused"))
        assert {"script-src-elem", "script-src-attr", "img-src", "connect-src"} <= refused
        browser.logs()


PUT_IN = """
window.refused = [];
document.addEventListener('securitypolicyviolation', e => refused.push(e.effectiveDirective));
const script = document.createElement('script');
script.textContent = "document.title = 'harmed'";
document.body.append(script);
const box = document.createElement('div');
box.innerHTML = '<p onclick="document.title = \\'harmed\\'">x</p><img src="http://127.0.0.1:9/x">';
document.body.append(box);
box.firstChild.click();
fetch('http://127.0.0.1:9/x').catch(() => 0);
"""


def test_a_hostile_name_is_shown_as_it_is(browser, pages):
    for account in HOSTILE.values():
        browser.open(site_path(pages, account))
        shown = browser.run("return document.querySelector('.who b bdi').textContent")
        assert shown == account


def test_the_pictures_of_a_site_are_there(browser, pages):
    browser.open(site_path(pages, "A000008"))
    shapes = browser.run(
        "return [...document.querySelectorAll('.box svg')].map(s =>"
        " [s.getBoundingClientRect().width, s.querySelectorAll('path, image, line').length])"
    )
    assert len(shapes) == 5
    for width, marks in shapes:
        assert width > 300
        assert marks > 5


def test_the_bars_are_as_high_as_the_table_says(browser, pages):
    browser.open(site_path(pages, "A000008"))
    heights, said = browser.run(
        "const svg = document.querySelector('.box svg');"
        "const bars = [...svg.querySelectorAll('.mark-rect path')]"
        ".filter(p => p.getAttribute('fill').includes('--water')).map(p => p.getBBox())"
        ".sort((a, b) => a.x - b.x).map(b => b.height);"
        "const table = document.querySelector('details table');"
        "return [bars, [...table.tBodies[0].rows].map(r => r.cells[2].textContent)]"
    )
    shares = [figure(s) for s in said]
    assert len(heights) == len(shares)
    scale = max(heights) / max(shares)
    for height, share in zip(heights, shares, strict=True):
        assert height == pytest.approx(share * scale, abs=PIXEL)


def test_the_calendar_has_a_pixel_an_hour(browser, pages):
    browser.open(site_path(pages, "A000008"))
    size = browser.driver.execute_async_script(
        "const done = arguments[0], picture = new Image();"
        "picture.onload = () => done([picture.naturalWidth, picture.naturalHeight]);"
        "picture.onerror = () => done(null);"
        "const held = document.querySelector('svg image');"
        "picture.src = held.getAttribute('href')"
        " || held.getAttributeNS('http://www.w3.org/1999/xlink', 'href')"
    )
    assert size == [DAYS, 24]


@pytest.mark.parametrize("account", ["A000008", "A000009", HOSTILE["A000004"]])
def test_a_site_page_prints_on_at_most_two_sheets(browser, pages, account):
    browser.open(site_path(pages, account))
    printed = browser.driver.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False}
    )
    content = base64.b64decode(printed["data"])
    sheets = max(int(n) for n in re.findall(rb"/Count (\d+)", content))
    assert 1 <= sheets <= 2


def test_the_list_begins_with_what_must_be_acted_on(browser, pages, fleet):
    browser.open(pages / "list.html")
    ready(browser)
    ((flagged,),) = asked(
        fleet,
        "select count(*) from results.latest_recommendation"
        " where verdict in ('oversized', 'undersized', 'wrong_type')"
        " or action = 'log_first'"
        " or action = 'refer' and verdict = 'fits'",
    )
    assert f"of {flagged} meters" in state(browser)
    assert len(accounts_shown(browser)) == min(50, flagged)


@pytest.mark.parametrize("key", ["net", "gain", "volume", "odds"])
def test_a_click_sorts_figures_and_another_turns_them(browser, pages, key):
    browser.open(pages / "list.html")
    ready(browser)
    head = f"#list th[data-key={key}] button"
    for turn in (-1, 1):
        browser.driver.find_element("css selector", head).click()
        shown = [figure(t) for t in column_shown(browser, key)]
        assert shown == sorted(shown, reverse=turn < 0)
    assert (
        browser.run(
            "return document.querySelector(arguments[0]).parentNode.getAttribute('aria-sort')",
            head,
        )
        == "ascending"
    )


def choose(browser, name, text):
    browser.run(
        "const s = document.getElementById(arguments[0]);"
        "s.value = [...s.options].find(o => o.text === arguments[1]).value;"
        "s.dispatchEvent(new Event('change'))",
        name,
        text,
    )
    time.sleep(0.3)
    ready(browser)


@pytest.mark.parametrize(
    ("name", "text", "where"),
    [
        ("verdict", "wrong type", "verdict = 'wrong_type'"),
        ("action", "keep", "action = 'keep'"),
        ("class", "hotel", "customer_class = 'hotel'"),
    ],
)
def test_a_filter_counts_what_the_table_counts(browser, pages, fleet, name, text, where):
    browser.open(pages / "list.html")
    ready(browser)
    choose(browser, "scope", "all")
    choose(browser, name, text)
    ((count,),) = asked(
        fleet, f"select count(*) from results.latest_recommendation where {where}"
    )
    assert count
    assert f"of {count} meters" in state(browser)


def test_search_finds_a_hostile_account_by_its_text(browser, pages):
    browser.open(pages / "list.html")
    ready(browser)
    choose(browser, "scope", "all")
    browser.driver.find_element("id", "find").send_keys("<script>")
    time.sleep(0.5)
    wanted = [a for a in HOSTILE.values() if "<script>" in a]
    assert sorted(accounts_shown(browser)) == sorted(wanted)


def test_pages_turn_and_hold_every_meter_once(browser, pages, fleet):
    browser.open(pages / "list.html")
    ready(browser)
    choose(browser, "scope", "all")
    seen = accounts_shown(browser)
    while True:
        following = [
            b
            for b in browser.driver.find_elements("css selector", "#pager button")
            if b.text == "next" and b.is_enabled()
        ]
        if not following:
            break
        following[0].click()
        seen += accounts_shown(browser)
    assert sorted(seen) == sorted(fleet.accounts)


def test_the_keyboard_alone_sorts_opens_and_turns(browser, pages):
    from selenium.webdriver.common.keys import Keys

    browser.open(pages / "list.html")
    ready(browser)
    focus = "document.querySelector(arguments[0]).focus()"
    browser.run(focus, "#list th[data-key=net] button")
    browser.driver.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.run("return document.querySelector('[aria-sort]').dataset.key") == "net"
    browser.run(focus, "#list .open")
    browser.driver.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.driver.find_elements("css selector", "#list tr.more td")
    time.sleep(0.3)
    assert "misses 30" in browser.run(
        "return document.querySelector('#list tr.more').textContent"
    )
    browser.driver.switch_to.active_element.send_keys(Keys.ENTER)
    assert browser.run("return document.querySelector('#list tr.more')") is None


def test_an_opened_row_links_to_its_site_page_or_says_how_to_make_it(browser, pages):
    browser.open(pages / "list.html")
    ready(browser)
    choose(browser, "scope", "all")
    field = browser.driver.find_element("id", "find")
    for text, has_page in (("A000008", True), ("A000011", False)):
        field.clear()
        field.send_keys(text)
        time.sleep(0.5)
        browser.driver.find_element("css selector", "#list .open").click()
        time.sleep(0.3)
        links = browser.run(
            "return [...document.querySelectorAll('tr.more a')].map(a => a.href)"
        )
        assert bool(links) is has_page
        if has_page:
            assert (pages / "sites" / page_file(text)).as_uri() == links[0]
        else:
            said = browser.run("return document.querySelector('tr.more code').textContent")
            assert said == f"rightsize evidence CONFIG {text}"


def test_every_link_leads_to_a_file(browser, pages):
    for page in every_page(pages):
        browser.open(page)
        links = browser.run("return [...document.querySelectorAll('a')].map(a => a.href)")
        for link in links:
            assert unquote(urlparse(link).path)
            assert Path(unquote(urlparse(link).path)).is_file(), f"{page.name}: {link}"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_no_serious_finding_of_accessibility(browser, pages, axe, size, scheme):
    found = []
    for page in [pages / f"{n}.html" for n in FLEET] + [
        site_path(pages, a) for a in ("A000008", "A000009")
    ]:
        browser.open(page, size=size, scheme=scheme)
        if page.name == "list.html":
            ready(browser)
        browser.driver.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})
        browser.run(axe)
        result = browser.driver.execute_async_script(
            "const done = arguments[0];"
            "axe.run(document, {resultTypes: ['violations']}).then("
            "r => done(r.violations.map(v => [v.id, v.impact, v.nodes[0].html.slice(0, 160),"
            " v.nodes.length, v.nodes[0].failureSummary])))"
        )
        found += [(page.name, *v) for v in result if v[1] in ("serious", "critical")]
    assert found == [], "\n".join(map(str, found))
