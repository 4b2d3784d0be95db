"""README says what is there: every command, every page of the handbook, no dead link."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipelines.cli import app

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = sorted((ROOT / "rightsize" / "handbook").glob("*.md"))
TOLD = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *PAGES]


def test_every_command_is_told_and_no_other() -> None:
    told = set(re.findall(r"^\| `rightsize ([\w-]+)", README, flags=re.MULTILINE))
    there = {c.name or c.callback.__name__ for c in app.registered_commands if c.callback}
    assert told == there


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.name)
def test_every_page_of_the_handbook_is_linked(page: Path) -> None:
    assert f"rightsize/handbook/{page.name}" in README


@pytest.mark.parametrize("page", TOLD, ids=lambda p: p.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", text):
        if not re.match(r"[a-z]+:", target):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_two_commands_do_their_own_set_up() -> None:
    commands = re.findall(r"```sh\n(.*?)\n```", README, flags=re.DOTALL)[:2]
    for command in commands:
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install")
        assert "-c config/constraints.txt" in command
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "'.[test,cluster]'" in commands[1]
    assert "'.[test,cluster]'" in ci


def test_the_excerpt_is_there() -> None:
    excerpt = README.split("<!-- excerpt")[1].split("<!-- end of excerpt")[0]
    assert "Meters by verdict" in excerpt
    assert "Ten best change-outs" in excerpt
