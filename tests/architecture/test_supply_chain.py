"""The lock holds what the constraints pin, each file by its hash, and no host or path."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
LOCK = (ROOT / "config" / "requirements.lock").read_text(encoding="utf-8")


def plain(name: str) -> str:
    """A package's name as an index compares it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def locked() -> dict[str, tuple[str, int]]:
    """Version and number of hashes of each locked package."""
    blocks = re.split(r"(?m)^(?=[A-Za-z0-9])", LOCK)
    found = {}
    for block in filter(str.strip, blocks):
        name, version = re.match(r"([\w.-]+)==([^ ;\\\n]+)", block).groups()
        found[plain(name)] = (version, len(re.findall(r"--hash=sha256:[0-9a-f]{64}\b", block)))
    return found


def pinned() -> dict[str, str]:
    lines = (ROOT / "config" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pairs = (line.split("==") for line in lines if "==" in line and not line.startswith("#"))
    return {plain(name): version.strip() for name, version in pairs}


def test_every_locked_file_has_a_hash():
    held = locked()
    assert len(held) > 200
    assert not [name for name, (_, hashes) in held.items() if not hashes]


def test_lock_and_constraints_name_the_same_versions():
    held = {name: version for name, (version, _) in locked().items()}
    both = held.keys() & pinned().keys()
    assert len(both) > 200
    assert {n: held[n] for n in both} == {n: pinned()[n] for n in both}


def test_every_dependency_of_the_project_is_locked():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    asked = [*project["dependencies"], *(line for lines in extras for line in lines)]
    names = {plain(re.match(r"[\w.-]+", line).group()) for line in asked}
    assert names <= locked().keys()


def test_the_lock_names_no_host_and_no_path():
    assert not re.search(r"://|file:|--index|--find-links|--extra|(?m:^/)|\s/\w", LOCK)


def test_the_named_versions_of_python_begin_with_the_least_that_is_allowed():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = [
        int(line.rsplit(".", 1)[1])
        for line in project["classifiers"]
        if re.search(r"Python :: 3\.\d+$", line)
    ]
    assert project["requires-python"] == f">=3.{named[0]}"
    assert named == list(range(named[0], named[-1] + 1))
