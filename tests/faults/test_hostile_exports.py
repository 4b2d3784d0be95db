"""Every hostile file does what it must, says it clearly, and leaves the rest alone."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from pipelines.stages.land import land
from pipelines.stages.land.land import LandSummary
from tests.faults.corpus import ESPI, TEXT_CASES, WIDE, Case
from tests.pipelines.exports import HEADER, Utility
from tests.pipelines.sources.espi_feed import (
    Reading,
    block,
    feed,
    meter_reading,
    reading_type,
    usage_point,
)

GOOD_FEED = feed(
    usage_point("M2"),
    meter_reading("M2", "T"),
    reading_type("T"),
    block("M2", 1748736000, [Reading(1, 1748736000)]),
)


UNFORESEEN = (OverflowError, ValueError, TypeError, KeyError, IndexError, AttributeError,
              AssertionError, RecursionError, UnicodeError, ArithmeticError)  # fmt: skip


@dataclass
class Landed:
    """A folder of hostile files after one landing."""

    utility: Utility
    summary: LandSummary
    lake: list[dict[str, Any]]
    refused: list[dict[str, Any]]
    files: dict[str, dict[str, Any]]

    def of(self, case: Case, rows: list[dict[str, Any]], key: str) -> list[dict[str, Any]]:
        """The rows that came of one file."""
        return [r for r in rows if Path(str(r[key])).name == case.name]


def is_unforeseen(text: str) -> bool:
    """Whether a failure of our own code was caught, instead of a problem understood."""
    return any(f"cannot be read: {kind.__name__}: " in text for kind in UNFORESEEN)


def land_all(folder: Path, cases: list[Case], good: tuple[str, str], layout: str) -> Landed:
    utility = Utility(folder, {"layout": layout})
    (utility.folder / "exports" / good[0]).write_text(good[1])
    for case in cases:
        (utility.folder / "exports" / case.name).write_bytes(case.content)
    summary = utility.land()
    files = {Path(r["path"]).name: r for r in utility.ledger("from ledger.landed_file")}
    return Landed(utility, summary, utility.lake(), utility.rejected(), files)


@pytest.fixture(scope="module")
def texts(tmp_path_factory: pytest.TempPathFactory) -> Landed:
    good = ("zz-good.csv", HEADER + "M2,2025-06-01 01:00,1,A\n")
    return land_all(tmp_path_factory.mktemp("texts"), TEXT_CASES, good, "interval")


@pytest.fixture(scope="module")
def feeds(tmp_path_factory: pytest.TempPathFactory) -> Landed:
    return land_all(tmp_path_factory.mktemp("feeds"), ESPI, ("zz-good.xml", GOOD_FEED), "espi")


@pytest.fixture(scope="module")
def days(tmp_path_factory: pytest.TempPathFactory) -> Landed:
    good = ("zz-good.csv", "meter_id,date," + ",".join(f"h{k}" for k in range(1, 25)) + "\n"
            + "M2,2025-06-02" + ",1" * 24 + "\n")  # fmt: skip
    return land_all(tmp_path_factory.mktemp("days"), WIDE, good, "wide")


def judge(landed: Landed, case: Case) -> None:
    refused = landed.of(case, landed.refused, "source_file")
    row = landed.files.get(case.name)
    failed = [p.message for p in landed.summary.problems if p.path.name == case.name]
    if case.problem is not None:
        told = " ".join([*failed, (row or {}).get("problem") or ""])
        assert case.problem in told
        assert case.name in told  # the message names the file
    else:
        assert failed == []
    assert (row is None) == bool(failed)
    assert not any(is_unforeseen(text) for text in failed)
    if row is None:
        return
    assert row["rows_landed"] == row["rows_accepted"] + row["rows_rejected"]
    assert row["rows_rejected"] == len(refused)
    assert row["gal_landed"] == pytest.approx(row["gal_accepted"] + row["gal_rejected"])
    reads = [r for r in landed.lake if r["file_hash"] == row["file_hash"]]
    assert len(reads) == row["rows_accepted"]
    if case.keeps >= 0:
        assert len(reads) == case.keeps
    if case.rows_refused >= 0:
        assert len(refused) == case.rows_refused
    if case.refused_count is None:
        assert [(r["source_line"], r["rule"]) for r in refused] == list(case.refused)


@pytest.mark.parametrize("case", TEXT_CASES, ids=lambda c: c.name)
def test_hostile_tables(texts: Landed, case: Case) -> None:
    judge(texts, case)


@pytest.mark.parametrize("case", ESPI, ids=lambda c: c.name)
def test_hostile_feeds(feeds: Landed, case: Case) -> None:
    judge(feeds, case)


@pytest.mark.parametrize("case", WIDE, ids=lambda c: c.name)
def test_hostile_days(days: Landed, case: Case) -> None:
    judge(days, case)


def test_the_good_files_beside_them_land(texts: Landed, feeds: Landed, days: Landed) -> None:
    assert days.files["zz-good.csv"]["rows_accepted"] == 24
    assert texts.files["zz-good.csv"]["rows_accepted"] == 1
    assert feeds.files["zz-good.xml"]["rows_accepted"] == 1


def test_the_corpus_is_as_large_as_promised() -> None:
    names = [c.name for c in (*TEXT_CASES, *ESPI, *WIDE)]
    assert len(set(names)) == len(names) >= 290


def test_every_refusal_is_by_a_rule_with_a_meaning(texts: Landed, feeds: Landed) -> None:
    known = {r["rule"] for r in texts.utility.ledger("select rule from ledger.read_rule")}
    assert {r["rule"] for r in (*texts.refused, *feeds.refused)} <= known


def test_landing_the_folder_again_changes_nothing(texts: Landed) -> None:
    before = sorted(p.name for p in texts.utility.workspace.root.glob("lake/*/*/*/*"))
    again = texts.utility.land()
    assert again.files == ()
    assert sorted(p.name for p in texts.utility.workspace.root.glob("lake/*/*/*/*")) == before
    assert {p.path for p in again.problems} == {p.path for p in texts.summary.problems}


def test_a_name_that_is_no_text_is_a_problem_of_that_file(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {})
    utility.write("good.csv", HEADER + "M2,2025-06-01 01:00,1,A\n")
    odd = os.fsencode(utility.folder / "exports") + b"/reads-\xff\xe9.csv"
    with open(odd, "wb") as handle:
        handle.write((HEADER + "M1,2025-06-01 01:00,1,A\n").encode())
    for _ in range(2):
        summary = utility.land()
        (problem,) = summary.problems
        assert problem.code == "file_name"
        assert "reads-\\xff\\xe9.csv: " in problem.message
    assert [r["meter_id"] for r in utility.lake()] == ["M2"]


def test_a_failure_that_nobody_foresaw_stays_with_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    utility = Utility(tmp_path, {})
    utility.write("good.csv", HEADER + "M2,2025-06-01 01:00,1,A\n")
    utility.write("odd.csv", HEADER + "M1,2025-06-01 01:00,1,A\n")
    inner = land.land_file

    def fails(connection: Any, landing: Any) -> Any:
        if landing.task.path.name == "odd.csv":
            raise OverflowError("date value out of range")
        return inner(connection, landing)

    monkeypatch.setattr(land, "land_file", fails)
    (problem,) = utility.land().problems
    assert "odd.csv: cannot be read: OverflowError: date value out of range" in problem.message
    assert [r["meter_id"] for r in utility.lake()] == ["M2"]


def test_what_is_no_file_is_passed_over(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {})
    utility.write("good.csv", HEADER + "M2,2025-06-01 01:00,1,A\n")
    exports = utility.folder / "exports"
    (exports / "folder.csv").mkdir()
    os.symlink(exports / "loop.csv", exports / "loop.csv")
    os.symlink(exports / "gone.csv", exports / "nowhere.csv")
    os.symlink(exports, exports / "itself")
    os.mkfifo(exports / "pipe.csv")
    summary = utility.land()
    assert summary.rows_accepted == 1
    assert sorted(p.path.name for p in summary.problems) == [
        "loop.csv",
        "nowhere.csv",
        "pipe.csv",
    ]


@pytest.mark.parametrize("code", ["EACCES", "EIO"])
def test_a_file_that_may_not_be_read_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    utility = Utility(tmp_path, {})
    utility.write("good.csv", HEADER + "M2,2025-06-01 01:00,1,A\n")
    utility.write("secret.csv", HEADER + "M1,2025-06-01 01:00,1,A\n")
    number = getattr(errno, code)
    true_open = Path.open

    def refusing(self: Path, *args: Any, **kwargs: Any) -> Any:
        if self.name == "secret.csv":
            raise OSError(number, os.strerror(number), str(self))
        return true_open(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refusing)
    summary = utility.land()
    assert summary.rows_accepted == 1
    assert [p.path.name for p in summary.problems] == ["secret.csv"]
    assert os.strerror(number).lower() in summary.problems[0].message


def test_other_decimals_and_thousands_are_read_where_configured(tmp_path: Path) -> None:
    text = "meter_id;interval_end;volume\nM1;2025-06-01 01:00;1.234,5\n"
    utility = Utility(tmp_path, {"decimal": ",", "thousands": "."})
    utility.write("reads.csv", text)
    utility.land()
    assert utility.lake()[0]["registered_gal"] == 1234.5


def test_another_encoding_is_read_where_configured(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {"encoding": "latin-1"})
    utility.write("reads.csv", (HEADER + "M\u00e9,2025-06-01 01:00,1,A\n").encode("latin-1"))
    utility.land()
    assert utility.lake()[0]["meter_id"] == "M\u00e9"


def test_folders_whose_path_reads_as_markup(tmp_path: Path) -> None:
    utility = Utility(tmp_path / "[b]", {"path": "exports/*/*"})
    for folder, name in (("[", "x].csv"), ("[red]", "reads.csv"), ("[", "bad].csv")):
        (utility.folder / "exports" / folder).mkdir(exist_ok=True)
        text = HEADER + f"M1,2025-06-01 01:00,{len(folder)},A\n" if "bad" not in name else ""
        (utility.folder / "exports" / folder / name).write_text(text)
    summary = utility.land()
    assert summary.rows_accepted == 2
    assert ["[/bad].csv: file is empty" in p.message for p in summary.problems] == [True]
