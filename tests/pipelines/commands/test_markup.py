"""What the data holds is shown as it stands: no markup, emoji or command to a terminal."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.table import Table

from pipelines.cli import app
from pipelines.commands.console import PlainConsole, shown
from pipelines.configuration.load_settings import load
from pipelines.service.flow_artifacts import _plain
from pipelines.sweep.sweep import run_sweep
from tests.pipelines.small_utility import quick_utility

HOSTILE = ["A-[b]2", "[/b]", "[/]", "A[", "a]", "[link=x]y[/link]", ":warning:", "\x1b[31mred",
           "[red]x", "\\[b]", "[@click=app.quit]q", "\udcff", "\u202e"]  # fmt: skip


def printed(*texts: str, cell: bool = False) -> str:
    out = io.StringIO()
    console = PlainConsole(file=out, width=200)
    for text in texts:
        if cell:
            table = Table("account", title=text)
            table.add_row(text)
            console.print(table)
        else:
            console.print(text, soft_wrap=True)
    return out.getvalue()


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("cell", [False, True])
def test_a_hostile_text_is_shown_as_it_stands(text: str, cell: bool):
    said = printed(text, cell=cell)
    assert shown(text) in said
    assert "\x1b" not in said
    said.encode()


@given(st.text(max_size=30))
def test_any_text_is_shown_and_can_be_written(text: str):
    said = printed(text)
    assert said.isprintable() or all(line.isprintable() for line in said.split("\n"))
    assert shown(text).strip("\n ") in said


@given(st.text(st.characters(codec="ascii"), max_size=30))
def test_in_markdown_every_mark_is_escaped(text: str):
    plain = _plain(text)
    assert "\n" not in plain
    assert all(
        plain[k - 1] == "\\" for k, c in enumerate(plain) if c in "#*_[]<>`|" and c != "_"
    )


def renamed(config: Path, names: dict[str, str]) -> None:
    """Accounts of the meter list under other names, and a header with markup."""
    path = config.parent / "meters.csv"
    rows = list(csv.DictReader(path.read_text().splitlines()))
    for row in rows:
        row["account_id"] = names.get(row["account_id"], row["account_id"])
        row["[/b]"] = "[/b]"
    with path.open("w", newline="") as handle:
        writer = csv.DictWriter(handle, rows[0])
        writer.writeheader()
        writer.writerows(rows)


def test_a_sweep_with_markup_in_every_name_is_told_to_its_end(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    config = quick_utility(tmp_path / "[b]utility[x]")
    with (config.parent / "meters.csv").open() as handle:
        accounts = [row["account_id"] for row in csv.DictReader(handle)]
    names = {a: f"{a}{HOSTILE[k % 7]}" for k, a in enumerate(accounts)}
    renamed(config, names)
    (config.parent / "exports" / "reads_[b]x.csv").write_text("[/b],x\n1,2\n")
    text = config.read_text().replace("Larkmoor Water", "'[/b] Water: *x*'")
    config.write_text(text)

    def run(*words: str | Path) -> tuple[int, str]:
        with pytest.raises(SystemExit) as ended:
            app([str(w) for w in words])
        captured = capsys.readouterr()
        return int(ended.value.code or 0), captured.out + captured.err

    code, said = run("sweep", config)
    assert code in (0, 3), said
    assert "Traceback" not in said
    assert "reads_[b]x.csv" in said
    assert str(config.parent) in said
    for words in (
        ("rows", config, "--limit", "5"), ("health", config),
        ("query", config, "select account_id from not_assessed"),
    ):  # fmt: skip
        code, said = run(*words)
        assert code in (0, 1, 3), said
        assert "Traceback" not in said
    assert names[accounts[1]] in said
    assert run_sweep(load(config)).published is None
