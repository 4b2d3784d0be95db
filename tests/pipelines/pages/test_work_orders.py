"""Papers of a campaign from published results: complete, private, refused in a line."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import asdict, replace

import pytest

from pipelines.configuration.visits_file import COLUMNS, read_visits
from pipelines.pages.work_orders import _form, write_work_orders
from rightsize.campaign.visit import Visit
from rightsize.errors import ConfigError
from tests.pipelines.pages.evidence_fleet import HOSTILE, make_fleet
from tests.unit.evidence.field.visits import VISIT

KINDS = ("flow_logging", "night_logging", "accuracy_test", "finer_interval", "peak_register")
NAMES = (*HOSTILE.values(), "A000008", "A000009", "A000010")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    return make_fleet(tmp_path_factory.mktemp("orders"))


@pytest.fixture(scope="module")
def visits(fleet):
    meters = {a: f"M{k:06}" for k, a in enumerate(fleet.accounts)}
    return [
        Visit(**{**asdict(VISIT), "account_id": a, "meter_id": meters[a],
                 "kind": KINDS[k % 5], "logger_count": int(k % 5 < 2),
                 "week_start_on": dt.date(2026, 2, 2) + dt.timedelta(weeks=k % 3)})
        for k, a in enumerate(NAMES)
    ]  # fmt: skip


def as_csv(path, visits, **changes):
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for visit in visits:
            writer.writerow({**asdict(visit), **changes})
    return path


def test_a_page_a_visit_a_list_a_crew_week_and_one_form(fleet, visits, tmp_path) -> None:
    papers = write_work_orders(fleet.loaded, visits, tmp_path)
    assert len(papers.orders) == len(set(papers.orders)) == len(visits)
    for path in (*papers.orders, *papers.lists, papers.campaign):
        assert path.parent == tmp_path
        assert path.read_bytes()
    with papers.form.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(visits)
    logs = [v for v in visits if v.kind in KINDS[:2]]
    assert len(list((tmp_path / "logs").iterdir())) == len(logs)
    assert not list(tmp_path.rglob("*.part"))


def test_no_name_of_a_customer_unless_asked_for(fleet, visits, tmp_path) -> None:
    plain = [v for v in visits if v.account_id == "A000008"]
    bare = write_work_orders(fleet.loaded, plain, tmp_path / "a").orders[0].read_text("utf-8")
    named = write_work_orders(fleet.loaded, plain, tmp_path / "b", shown="names")
    assert bare.count("A000008") < named.orders[0].read_text("utf-8").count("A000008")


def test_codes_leave_no_account_or_meter_anywhere(fleet, visits, tmp_path) -> None:
    chosen = [v for v in visits if v.account_id in NAMES[-3:]]
    write_work_orders(fleet.loaded, chosen, tmp_path, shown="codes")
    for path in tmp_path.rglob("*"):
        text = path.name + (path.read_text("utf-8") if path.is_file() else "")
        for visit in chosen:
            assert visit.account_id not in text
            assert visit.meter_id not in text


def test_an_account_that_is_not_there_is_named(fleet, visits, tmp_path) -> None:
    strange = [Visit(**{**asdict(visits[-1]), "account_id": "A-none"})]
    with pytest.raises(ConfigError, match=r"A-none \(M\d+\): not in the newest sweep"):
        write_work_orders(fleet.loaded, strange, tmp_path)
    assert not list(tmp_path.iterdir())


def test_visits_come_back_as_they_were_written(visits, tmp_path) -> None:
    assert read_visits(as_csv(tmp_path / "visits.csv", visits)) == tuple(visits)


def test_text_that_was_made_safe_for_spreadsheets_is_itself_again(visits, tmp_path) -> None:
    [read] = read_visits(as_csv(tmp_path / "v.csv", visits[:1], account_id="'=A-1"))
    assert read.account_id == "=A-1"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "guess"}, "line 2: kind: must be one of night_logging"),
        ({"week_start_on": "2026-02-03"}, "must be a Monday; 2026-02-03 is a Tuesday"),
        ({"week_start_on": "soon"}, "week_start_on: must be a date"),
        ({"crew": "0"}, "crew: must be a whole number from 1 to 100; got '0'"),
        ({"crew": "1.5"}, "crew: must be a whole number from 1 to 100; got '1.5'"),
        ({"cost_usd": "-1"}, "cost_usd: must be a number from 0"),
        ({"cost_usd": "nan"}, "cost_usd: must be a number from 0 to 1e+12; got 'nan'"),
        ({"net_usd": "much"}, "net_usd: must be a number from -1e+12 to 1e+12; got 'much'"),
        ({"crew": "1e300"}, "crew: must be a whole number from 1 to 100"),
        ({"crew": "9" * 5000}, "crew: must be a whole number from 1 to 100; got '99"),
        ({"duration_days": "1e300"}, "duration_days: must be a number from 0 to 366"),
        ({"week_start_on": "9999-12-27"}, "must lie between 2000-01-01 and 2199-12-31"),
        ({"week_start_on": "0001-01-01"}, "must lie between 2000-01-01 and 2199-12-31"),
        ({"account_id": " "}, "account_id: must not be empty"),
    ],
)
def test_each_bad_value_names_its_line(visits, tmp_path, change, words) -> None:
    with pytest.raises(ConfigError) as told:
        read_visits(as_csv(tmp_path / "visits.csv", visits[:1], **change))
    assert words in str(told.value)
    assert len(str(told.value)) < 1000


def test_cells_without_a_column_and_a_column_twice_are_refused(visits, tmp_path) -> None:
    good = as_csv(tmp_path / "visits.csv", visits[:1]).read_text()
    head, row = good.splitlines()
    (tmp_path / "more.csv").write_text(f"{head}\n{row},x\n")
    with pytest.raises(ConfigError, match="line 2: more or fewer cells than the 12 columns"):
        read_visits(tmp_path / "more.csv")
    (tmp_path / "twice.csv").write_text(f"{head},crew\n{row},7\n")
    with pytest.raises(ConfigError, match="duplicate column 'crew'"):
        read_visits(tmp_path / "twice.csv")


def test_visits_lifetimes_apart_are_refused(visits, tmp_path) -> None:
    apart = [visits[0], replace(visits[1], week_start_on=dt.date(2199, 12, 30))]
    with pytest.raises(ConfigError, match="a plan spans at most 520 weeks"):
        read_visits(as_csv(tmp_path / "visits.csv", apart))


def test_an_area_with_a_name_of_pages_is_cut_in_the_picture(fleet, visits, tmp_path) -> None:
    long = [
        replace(v, area=letter + "x" * 20_000)
        for v, letter in zip(visits[:2], "ab", strict=True)
    ]
    papers = write_work_orders(fleet.loaded, long, tmp_path)
    assert "2. bxxx" in papers.campaign.read_text(encoding="utf-8")


def test_a_formula_in_an_account_is_text_in_the_form(visits) -> None:
    for start in ("=", "+", "-", "@", "\t", "\r", " =", "\uff1d"):
        account = f"{start}1+1"
        text = _form([replace(visits[0], account_id=account)])
        [row] = csv.DictReader(io.StringIO(text, newline=""))
        assert row["account_id"] == f"'{account}"


def test_what_stands_in_the_way_of_a_paper_leaves_no_half_of_it(
    fleet, visits, tmp_path
) -> None:
    (tmp_path / "campaign.html").mkdir()
    with pytest.raises(OSError, match=r"campaign\.html"):
        write_work_orders(fleet.loaded, visits, tmp_path)
    assert not list(tmp_path.rglob("*.part"))


def test_a_visit_twice_a_column_less_and_no_file_are_refused(visits, tmp_path) -> None:
    with pytest.raises(ConfigError, match="line 3: the same visit as line 2"):
        read_visits(as_csv(tmp_path / "twice.csv", [visits[0], visits[0]]))
    (tmp_path / "less.csv").write_text("account_id\nA-1\n")
    with pytest.raises(ConfigError, match="missing columns: meter_id, kind"):
        read_visits(tmp_path / "less.csv")
    with pytest.raises(ConfigError, match="no such file; run `rightsize campaign` first"):
        read_visits(tmp_path / "none.csv")


def test_papers_of_an_earlier_campaign_are_removed_and_other_files_stay(
    fleet, visits, tmp_path
) -> None:
    before = write_work_orders(fleet.loaded, visits, tmp_path)
    (tmp_path / "notes.txt").write_text("ours")
    after = write_work_orders(fleet.loaded, visits[-1:], tmp_path)
    held = {p for p in tmp_path.rglob("*") if p.is_file()}
    assert set(before.orders) & held == set(after.orders)
    assert set(before.lists) & held == set(after.lists)
    assert tmp_path / "notes.txt" in held


@pytest.mark.parametrize("what", ["form", "pulse", "rows"])
def test_what_a_crew_wrote_is_never_written_over(fleet, visits, tmp_path, what) -> None:
    papers = write_work_orders(fleet.loaded, visits, tmp_path)
    log = next(p for p in (tmp_path / "logs").iterdir() if "flow_logging" in p.name)
    if what == "form":
        lines = papers.form.read_text("utf-8").splitlines()
        papers.form.write_text("\n".join([lines[0], lines[1] + "broken lid", *lines[2:]]))
    elif what == "pulse":
        log.write_text(log.read_text("utf-8").replace("# pulse_gal: ", "# pulse_gal: 0.5"))
    else:
        log.write_text(log.read_text("utf-8") + "2026-02-02 10:00:00,3\n")
    stood = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(ConfigError, match="has results in it; nothing is written"):
        write_work_orders(fleet.loaded, visits[-1:], tmp_path)
    assert stood == {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
