"""Site pages and fleet pages from a published sweep: complete, safe, in place at once."""

from __future__ import annotations

import json
import os
import re
import stat
from dataclasses import replace
from html import unescape

import duckdb
import numpy as np
import polars as pl
import pytest
from markupsafe import escape

from pipelines.pages.evidence import write_site_pages
from pipelines.pages.evidence_reads import read_years
from pipelines.pages.fleet_pages import VERSION_FILE, _gathered, write_fleet_pages
from pipelines.pages.page_render import write_page
from pipelines.stages.profile.meter_reads import LakeFiles
from pipelines.stages.publish.newest import open_published
from pipelines.sweep.state import pages_are_due
from rightsize.errors import ConfigError
from rightsize.evidence.file_names import page_file
from rightsize.evidence.fleet_page import fleet_pages
from rightsize.evidence.quantity import Units
from tests.pipelines.pages.evidence_fleet import DAYS, FIRST_DAY, HOSTILE, PEAK_DAY, make_fleet

DAY_GAL = 6 * 1.0 + 18 * 10.0  # HAND: six hours of 1 gal, eighteen of 10


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    return make_fleet(tmp_path_factory.mktemp("evidence"))


@pytest.fixture(scope="module")
def pages(fleet):
    write_fleet_pages(fleet.workspace)
    return fleet.workspace.published / "pages"


def bucket_of(fleet, meter_id):
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        row = connection.execute(
            "select (md5_number_lower($m) % buckets)::integer from results.sweep",
            {"m": meter_id},
        ).fetchone()
    return int(row[0])


def test_the_calendar_is_what_was_read_in_local_time(fleet):
    with LakeFiles(fleet.workspace).of(bucket_of(fleet, "M000007")) as files:
        years, sources = read_years(
            fleet.workspace.scratch, files, ["M000007"], timezone="America/Denver"
        )
    year = years["M000007"]
    assert len(year.days) == DAYS
    assert year.days[0] == FIRST_DAY
    assert year.day_gal[0] == pytest.approx(DAY_GAL)  # the superseded 999 gal do not count
    assert year.day_gal[PEAK_DAY] == pytest.approx(3 * DAY_GAL)
    assert year.hour_gpm[0, 12] == pytest.approx(10.0 / 60)
    assert np.isnan(year.hour_gpm[1, 6])  # read 30 of the file is missing
    assert year.covered_share[1] == pytest.approx(23 / 24)
    assert year.night_gpm[0] == pytest.approx(1.0 / 60)
    assert [(s["file_hash"], s["superseded_count"]) for s in sources["M000007"]] == [
        ("file1", 1),
        ("file2", 0),
    ]


def test_a_page_an_account_named_safely_below_the_folder(fleet, tmp_path):
    written = write_site_pages(fleet.loaded, list(HOSTILE.values()), folder=tmp_path, workers=1)
    assert {p.parent for p in written} == {tmp_path}
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        page_file(a) for a in HOSTILE.values()
    )
    for path in written:
        text = path.read_text(encoding="utf-8")
        assert "<script" not in text
        assert 'onerror="' not in text


def test_a_page_shows_the_numbers_of_the_tables(fleet, tmp_path):
    account = fleet.accounts[7]
    (path,) = write_site_pages(fleet.loaded, [account], folder=tmp_path)
    text = re.sub(r"<[^>]+>", " ", path.read_text(encoding="utf-8")).replace("\u202f", "")
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        net, gain, now = connection.execute(
            "select net_benefit_usd_per_year, accuracy_gain_pct, registered_gal_per_year"
            " from results.latest_recommendation join results.profile using (account_id)"
            " where account_id = $a",
            {"a": account},
        ).fetchone()
    assert f"{gain:+.1f} points" in text
    assert f"${round(net):,}" in text or f"−${-round(net):,}" in text
    assert f"{now:,.0f}gal" in text
    assert f"{3 * DAY_GAL:,.0f}gal" in text  # the largest day


def test_an_account_that_was_not_assessed_has_a_page_with_its_reason(fleet, tmp_path):
    (path,) = write_site_pages(fleet.loaded, ["A000009"], folder=tmp_path)
    text = path.read_text(encoding="utf-8")
    assert "41 days covered" in text
    assert "29 CFR 1910.146" in text


def test_an_account_that_is_not_there_is_named_and_nothing_written(fleet, tmp_path):
    with pytest.raises(ConfigError, match="'NO-SUCH': not in the newest sweep"):
        write_site_pages(fleet.loaded, [fleet.accounts[7], "NO-SUCH"], folder=tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_before_the_first_sweep_the_way_out_is_said(fleet, tmp_path):
    bare = fleet.loaded.model_copy(update={"folder": tmp_path})
    with pytest.raises(ConfigError, match="run `rightsize sweep` first"):
        write_site_pages(bare, ["A-1"])


def test_nothing_but_pages_is_written(fleet, tmp_path):
    before = {
        p: p.stat().st_mtime_ns
        for p in fleet.workspace.root.rglob("*")
        if p.is_file() and "pages" not in str(p)
    }
    write_site_pages(fleet.loaded, [fleet.accounts[8]], folder=tmp_path)
    after = {
        p: p.stat().st_mtime_ns
        for p in fleet.workspace.root.rglob("*")
        if p.is_file() and "pages" not in str(p)
    }
    assert after == before


def test_a_page_that_cannot_be_written_leaves_the_old_one(fleet, tmp_path, monkeypatch):
    account = fleet.accounts[7]
    (path,) = write_site_pages(fleet.loaded, [account], folder=tmp_path)
    before = path.read_bytes()
    monkeypatch.setattr("pipelines.pages.page_render.site_page", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_page((account, ()), tmp_path, pdf=False)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.heavy_ci
@pytest.mark.heavy  # two fresh processes import the plotting library
def test_several_processes_write_the_same_pages(fleet, tmp_path):
    accounts = [fleet.accounts[7], fleet.accounts[8]]
    one = write_site_pages(fleet.loaded, accounts, folder=tmp_path / "one", workers=1)
    two = write_site_pages(fleet.loaded, accounts, folder=tmp_path / "two", workers=2)
    assert [p.read_bytes() for p in one] == [p.read_bytes() for p in two]


# --- the fleet ----------------------------------------------------------------------------


def called(script: str) -> object:
    """The last argument of a part's one call."""
    inside = script.strip()[script.index("(") + 1 : -2]
    return json.loads("[" + inside + "]")[-1]


def test_the_fleet_pages_are_there_and_link_to_each_other(pages):
    names = {p.name for p in pages.glob("*.html")}
    assert names == {
        "index.html",
        "list.html",
        "changes.html",
        "outcome.html",
        "quality.html",
        "words.html",
    }
    for page in pages.glob("*.html"):
        linked = set(re.findall(r'href="([a-z]+\.html)"', page.read_text(encoding="utf-8")))
        assert linked == names


def test_the_summary_shows_the_total_of_the_joint_samples(fleet, pages):
    """Neither the ends of the accounts added up, nor another sum than the closing summary's."""
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        total = connection.execute(
            "select net_benefit_usd_per_year, net_benefit_low_usd_per_year,"
            " net_benefit_high_usd_per_year from results.fleet_total where scope = 'fleet'"
        ).fetchone()
        best = connection.execute(
            "select sum(net_benefit_usd_per_year) from results.latest_recommendation"
            " where action = 'change'"
        ).fetchone()
    units, text = Units("us"), (pages / "index.html").read_text(encoding="utf-8")
    assert total[0] == pytest.approx(best[0], rel=1e-3)
    assert units.usd(total[0]) in text
    assert units.usd_range(total[1], total[2]) in text


def test_the_list_holds_every_meter_and_the_tables_numbers(fleet, pages):
    index = called((pages / "data" / "index.js").read_text("ascii"))
    part = called((pages / "data" / "part-0000.js").read_text("ascii"))
    assert index["rows"] == len(fleet.accounts)
    assert sorted(part["account"]) == sorted(fleet.accounts)
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        net = dict(
            connection.execute(
                "select account_id, net_benefit_usd_per_year from results.latest_recommendation"
            ).fetchall()
        )
        flagged = connection.execute(
            "select count(*) from results.latest_recommendation where verdict in"
            " ('oversized', 'undersized', 'wrong_type') or action = 'log_first'"
        ).fetchone()[0]
    for account, value in zip(part["account"], part["net"], strict=True):
        assert value == (
            None if net[account] is None else pytest.approx(net[account], abs=0.01)
        )
    assert index["flagged"] == flagged


def test_what_must_be_acted_on_comes_first(pages):
    index = called((pages / "data" / "index.js").read_text("ascii"))
    part = called((pages / "data" / "part-0000.js").read_text("ascii"))
    verdicts = [index["values"]["verdict"][code] for code in part["verdict"]]
    assert "fits" not in verdicts[: index["flagged"]]


def test_a_hostile_name_stays_data_in_every_page_and_part(pages):
    for path in pages.rglob("*"):
        if path.is_file():
            text = path.read_text(encoding="utf-8")
            assert "<script>document.title" not in text or path.suffix == ".js"
            assert "<img" not in text or path.suffix == ".js"


def test_every_page_has_a_policy_that_lets_in_nothing_it_does_not_name(fleet, pages):
    """No script but the list's own, by its hash; no handler, no form target, no address."""
    write_site_pages(fleet.loaded, [fleet.accounts[7]])
    found = [*pages.glob("*.html"), *(pages / "sites").glob("*.html")]
    assert len(found) > 5
    for path in found:
        text = path.read_text(encoding="utf-8")
        policy = re.search(r'http-equiv="Content-Security-Policy"\s+content="([^"]*)"', text)
        assert policy, path.name
        rules = dict(rule.strip().split(" ", 1) for rule in unescape(policy[1]).split(";"))
        assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
        scripts = rules.get("script-src", "'none'")
        assert "unsafe" not in scripts
        assert (scripts == "'none'") is (path.name != "list.html")
        assert not re.search(r"<[^>]*\son\w+\s*=", text), path.name
        assert not re.search(r"(?i)(href|src)=[\"']?\s*(javascript|https?):", text), path.name


def test_each_part_is_one_call_of_ascii_json(pages):
    for path in (pages / "data").iterdir():
        script = path.read_text(encoding="ascii")
        assert re.fullmatch(r"rightsize\.[a-z]+\(.*\);\n", script, flags=re.DOTALL)
        called(script)


def test_site_pages_made_later_are_known_to_the_list(fleet, pages):
    account = HOSTILE["A000000"]
    write_site_pages(fleet.loaded, [account], workers=1)
    write_site_pages(fleet.loaded, [fleet.accounts[7]], workers=1)
    made = called((pages / "sites" / "pages.js").read_text("ascii"))["pages"]
    assert set(made) == {account, fleet.accounts[7]}
    assert all((pages / "sites" / name).is_file() for name in made.values())


def test_pages_are_replaced_whole_and_the_ones_before_kept_for_a_reader(tmp_path):
    fleet = make_fleet(tmp_path, accounts=20)
    link = fleet.workspace.published / "pages"
    write_fleet_pages(fleet.workspace)
    first = link.resolve()
    write_fleet_pages(fleet.workspace)
    second = link.resolve()
    write_fleet_pages(fleet.workspace)
    assert len({first, second, link.resolve()}) == 3
    assert not first.exists()
    assert second.is_dir()


def test_a_failure_leaves_the_pages_as_they_were(tmp_path, monkeypatch):
    fleet = make_fleet(tmp_path, accounts=20)
    write_fleet_pages(fleet.workspace)
    link = fleet.workspace.published / "pages"
    before = link.resolve()
    monkeypatch.setattr("pipelines.pages.fleet_pages.fleet_pages", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_fleet_pages(fleet.workspace)
    assert link.resolve() == before
    assert [p.name for p in before.parent.iterdir()] == [before.name]


def test_pages_of_another_sweep_than_asked_for_are_not_written(fleet):
    with pytest.raises(ValueError, match="newest sweep is"):
        write_fleet_pages(fleet.workspace, "20990101T000000Z")


def test_a_metric_utility_reads_metric_pages(tmp_path):
    fleet = make_fleet(tmp_path, accounts=20, units="metric")
    write_fleet_pages(fleet.workspace)
    (path,) = write_site_pages(fleet.loaded, [fleet.accounts[7]], folder=tmp_path / "sites")
    listed = (fleet.workspace.published / "pages" / "list.html").read_text(encoding="utf-8")
    assert "m³/year" in listed
    assert "80\u202fmm turbine" in listed  # STANDARD: DN 80 for 3 in, ISO 6708
    assert "m³/h" in path.read_text(encoding="utf-8")


def test_the_results_may_be_read_only(fleet, tmp_path):
    mode = fleet.workspace.results.stat().st_mode
    os.chmod(fleet.workspace.results, stat.S_IRUSR)
    try:
        assert write_site_pages(fleet.loaded, [fleet.accounts[7]], folder=tmp_path)
    finally:
        os.chmod(fleet.workspace.results, mode)


def test_pages_are_due_for_another_sweep_or_where_other_code_drew_them(tmp_path):
    fleet = make_fleet(tmp_path, accounts=20)
    assert pages_are_due(fleet.workspace)
    write_fleet_pages(fleet.workspace)
    assert not pages_are_due(fleet.workspace)
    drawn_by = fleet.workspace.published / "pages" / VERSION_FILE
    drawn_by.write_text("other code", encoding="ascii")
    assert pages_are_due(fleet.workspace)


def test_a_configuration_without_names_keeps_them_from_every_page(tmp_path):
    fleet = make_fleet(tmp_path, accounts=20)
    bare = fleet.loaded.model_copy(
        update={"settings": fleet.loaded.settings.model_copy(update={"names_on_pages": False})}
    )
    account = fleet.accounts[9]
    for loaded, named in ((fleet.loaded, True), (bare, False)):
        write_fleet_pages(fleet.workspace, loaded=loaded)
        assert pages_are_due(fleet.workspace, has_names=not named)
        assert not pages_are_due(fleet.workspace, has_names=named)
        pages = fleet.workspace.published / "pages"
        listed = (pages / "data" / "part-0000.js").read_text(encoding="ascii")
        assert bool(re.search(r'"name":\[("",?)+\]', listed)) is not named
        (page,) = write_site_pages(loaded, [account])
        said = page.read_text(encoding="utf-8")
        assert said.count(account) > said.count(f"<bdi>{account}</bdi></span>")
        assert (f"<span><bdi>{account}</bdi></span>" in said) is named  # its name is the same


def test_pages_with_codes_lie_apart_and_are_told_by_the_workspace_alone(fleet, tmp_path):
    accounts = [fleet.accounts[8], fleet.accounts[9]]
    with pytest.raises(ConfigError, match="folder of their own"):
        write_site_pages(fleet.loaded, accounts, shown="codes")
    first = write_site_pages(fleet.loaded, accounts, shown="codes", folder=tmp_path)
    again = write_site_pages(fleet.loaded, accounts, shown="codes", folder=tmp_path)
    assert first == again
    salt = fleet.workspace.root / "page_salt"
    assert stat.S_IMODE(salt.stat().st_mode) == 0o600
    for account, page in zip(accounts, first, strict=True):
        text = page.read_text(encoding="utf-8")
        assert account not in text + page.name
        assert account.replace("A", "M") not in text
    salt.write_text("not hexadecimal")
    with pytest.raises(ConfigError, match="holds no salt"):
        write_site_pages(fleet.loaded, accounts, shown="codes", folder=tmp_path)
    salt.unlink()


def test_the_quality_page_names_the_accounts_of_each_finding(fleet, pages):
    quality = (pages / "quality.html").read_text(encoding="utf-8")
    folded = re.findall(r"<summary>accounts?</summary>(.*?)</details>", quality, re.DOTALL)
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        found = connection.execute(
            "select distinct account_id from results.latest_finding where code ="
            " 'possible_leak'"
        ).fetchall()
    assert found
    assert all(any(f"<bdi>{escape(a)}</bdi>" in part for part in folded) for (a,) in found)


@pytest.mark.parametrize("units", ["us", "metric"])
def test_reviews_and_old_and_new_meters_stand_on_the_pages(tmp_path, units):
    made = make_fleet(tmp_path, accounts=20, units=units)
    with open_published(made.workspace) as published:
        held = _gathered(published.connection, made.workspace, units)
    size = "80\u202fmm" if units == "metric" else "3\u202fin"
    key = "size_mm" if units == "metric" else "size_in"
    row = {
        "account_id": "A-9", "meter_id": "M-9", "customer_class": "office",
        "change": "recommended meter", "verdict": "fits", "previous_verdict": "oversized",
        "action": "keep", "previous_action": "change", "why": "new reads", "moved_count": 1,
        "new_count": 0,
        "net_benefit_usd_per_year": 0.0, "previous_net_benefit_usd_per_year": 9.0,
        "installed_type": "turbine", "recommended_type": "turbine",
        "previous_recommended_type": "ultrasonic",
    }  # fmt: skip
    row |= dict.fromkeys(
        (f"installed_{key}", f"recommended_{key}", f"previous_recommended_{key}"),
        80.0 if units == "metric" else 3.0,
    )
    referred = held.meters.with_columns(action=pl.lit("refer"))
    shown = replace(held, meters=referred, moved=(row,), sweeps=held.sweeps * 2)
    written = dict(fleet_pages(shown, {}))
    assert f"Engineering review: {referred.height} meters" in written["index.html"]
    assert referred["reason"][0].split(" ")[0] in written["index.html"]
    changes = written["changes.html"]
    assert f"{size} ultrasonic</td>" in changes
    assert changes.count(f"{size} turbine</td>") == 2


def test_the_list_holds_ranges_as_exact_as_the_other_pages(fleet, pages):
    """LAW: a figure is rounded once, where it is shown: no page differs in its last digit."""
    part = called((pages / "data" / "part-0000.js").read_text("ascii"))
    with duckdb.connect(str(fleet.workspace.results), read_only=True) as connection:
        exact = {
            account: ends
            for account, *ends in connection.execute(
                "select account_id, net_benefit_low_usd_per_year, net_benefit_usd_per_year,"
                " net_benefit_high_usd_per_year, accuracy_gain_low_pct, accuracy_gain_pct,"
                " accuracy_gain_high_pct from results.latest_recommendation"
            ).fetchall()
        }
    keys = ("net_low", "net", "net_high", "gain_low", "gain", "gain_high")
    for k, account in enumerate(part["account"]):
        for key, value in zip(keys, exact[account], strict=True):
            if value is None:
                assert part[key][k] is None
            else:
                assert part[key][k] == pytest.approx(value, abs=1e-6)
