"""Rooms by purpose: which room may import which, no cycle, no room too full to read."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipelines.work.code_version import ROOMS_THAT_DECIDE_NOTHING

ROOT = Path(__file__).resolve().parents[2]
MOST_MODULES = 16  # a folder that takes longer to read is two rooms
MOST_ROOMS = 12  # at the top of pipelines

# A room, and the rooms of its own package that it may import. Later rooms may import
# earlier ones only, so a cycle cannot be written down here.
PIPELINES = {
    "store": "",
    "work": "store",
    "configuration": "store",
    "sources": "store work configuration",
    "stages/reconcile": "store",
    "stages/land": "store work configuration sources",
    "stages/validate": "store work configuration stages/land",
    "stages/profile": "store work",
    "stages/logs": "store work configuration stages/profile",
    "stages/assess": "store work configuration stages/land",
    "stages/meter_tests": "configuration",
    "stages/publish": "store work stages/reconcile",
    "stages/verify": "store work configuration stages/assess stages/publish",
    "pages": "store work configuration stages/profile stages/publish stages/verify",
    "sweep": "store work configuration sources stages/reconcile stages/land stages/validate"
    " stages/profile stages/logs stages/assess stages/meter_tests stages/publish"
    " stages/verify pages",
    "commands": "store work configuration sources stages/assess stages/meter_tests"
    " stages/publish stages/verify sweep",
    "service": "store work configuration sweep commands",
    "demo": "store configuration",
    "handbook": "store configuration commands",
    "cli": "store work configuration pages sweep commands service demo",
}
RIGHTSIZE = {
    "errors": "",
    "meter_types": "",
    "findings": "",
    "units": "errors",
    "settings": "meter_types units",
    "settings_text": "settings units",
    "meters": "errors meter_types settings units",
    "wording": "meters units",
    "knowing": "",
    "contracts": "errors findings knowing meter_types settings units",
    "demand": "contracts errors findings units wording",
    "flow_logs": "demand findings meters units",
    "inference": "contracts demand errors flow_logs meters",
    "recommend": "contracts demand errors findings inference knowing meters settings units"
    " wording",
    "meter_tests": "contracts errors meters recommend settings units",
    "verify": "contracts errors findings",
    "campaign": "errors knowing",
    "evidence": "campaign contracts findings inference meter_tests meters units verify wording",
}
DRAWN_BY_SWEEP = ("pipelines/sweep", "pipelines/pages")  # the one arrow to what decides nothing


def room_of(path: Path, allowed: dict[str, str]) -> str:
    """The room of a module, by its path below its package; stages are rooms of their own."""
    parts = path.with_suffix("").parts
    if parts[0] == "stages" and len(parts) > 1 and parts[1] != "__init__":
        return f"stages/{parts[1]}"
    return parts[0]


def imports(package: str, allowed: dict[str, str]) -> Iterator[tuple[str, str, str]]:
    """Room, imported room and module of every import inside a package."""
    root = ROOT / package
    for path in sorted(root.rglob("*.py")):
        here = room_of(path.relative_to(root), allowed)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [f"{node.module}.{alias.name}" for alias in node.names]
            for name in names:
                top, *rest = name.split(".")
                if top == package and rest:
                    there = room_of(Path(*rest), allowed)
                    if there != here and not there.startswith("__"):
                        yield here, there, str(path.relative_to(ROOT))


@pytest.mark.parametrize(
    ("package", "allowed"), [("pipelines", PIPELINES), ("rightsize", RIGHTSIZE)]
)
class TestArrows:
    def test_each_room_imports_only_what_it_may(self, package, allowed):
        for here, there, module in imports(package, allowed):
            if here == "__init__":
                continue
            assert here in allowed, f"{module}: name its room in this test"
            assert there in allowed[here].split(), f"{module}: {here} may not import {there}"

    def test_every_arrow_named_is_there(self, package, allowed):
        drawn = {(here, there) for here, there, _ in imports(package, allowed)}
        named = {(here, there) for here, rooms in allowed.items() for there in rooms.split()}
        assert not named - drawn, f"no longer needed: {sorted(named - drawn)}"

    def test_arrows_point_to_earlier_rooms_so_there_is_no_cycle(self, package, allowed):
        order = list(allowed)
        for here, rooms in allowed.items():
            for there in rooms.split():
                assert order.index(there) < order.index(here)


def test_no_folder_holds_too_many_modules():
    folders = {
        p.parent
        for top in ("pipelines", "rightsize", "tests")
        for p in (ROOT / top).rglob("*.py")
    }
    for folder in sorted(folders):
        count = len([p for p in folder.glob("*.py") if p.name != "__init__.py"])
        assert count <= MOST_MODULES, f"{folder.relative_to(ROOT)} holds {count} modules"


def test_the_top_of_pipelines_is_read_at_a_glance():
    rooms = [p for p in (ROOT / "pipelines").iterdir() if (p / "__init__.py").is_file()]
    modules = [p.name for p in (ROOT / "pipelines").glob("*.py")]
    assert len(rooms) <= MOST_ROOMS
    assert sorted(modules) == ["__init__.py", "cli.py"]


def test_no_room_that_decides_imports_one_that_does_not():
    idle = {
        tuple(room.removesuffix(".py").split("/")[:2]) for room in ROOMS_THAT_DECIDE_NOTHING
    }
    for package, allowed in (("pipelines", PIPELINES), ("rightsize", RIGHTSIZE)):
        for here, there, module in imports(package, allowed):
            decides = (package, here.split("/")[0]) not in idle
            arrow = (f"{package}/{here}", f"{package}/{there}")
            if decides and arrow != DRAWN_BY_SWEEP:
                assert (package, there.split("/")[0]) not in idle, f"{module} imports {there}"
