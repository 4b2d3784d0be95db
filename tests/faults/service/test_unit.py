"""The guide's systemd unit: understood by systemd, and enough for a service to live in."""

from __future__ import annotations

import shutil
import subprocess
import urllib.request
from pathlib import Path

import pytest

from tests.faults.service.prefect_service import answers
from tests.faults.service.processes import PROJECT, free_port, process, rightsize, until
from tests.pipelines.small_utility import published_tables, quick_utility

GUIDE = PROJECT / "rightsize" / "handbook" / "operations.md"
# All the unit lets a service write: its own folder, and a temporary one of its own.
READ_ONLY = 'mount --bind "$0" "$0" && mount -o remount,bind,ro / && exec "$@"'


def unit() -> str:
    return GUIDE.read_text(encoding="utf-8").split("```ini\n")[1].split("```")[0]


def faults(text: str, folder: Path) -> list[str]:
    """What systemd says of a unit."""
    path = folder / "rightsize@larkmoor.service"
    path.write_text(text, encoding="utf-8")
    said = subprocess.run(
        ["systemd-analyze", "verify", str(path)], capture_output=True, text=True, check=False
    )
    return [line for line in said.stderr.splitlines() if path.name in line]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_finds_no_fault_with_the_unit_but_that_nothing_is_installed(tmp_path: Path):
    assert [
        fault for fault in faults(unit(), tmp_path) if "is not executable" not in fault
    ] == []
    mistaken = unit().replace("Restart=always", "Restart=now")
    assert any("Failed to parse" in fault for fault in faults(mistaken, tmp_path))


@pytest.mark.heavy
def test_a_service_lives_in_what_the_unit_lets_it_write(tmp_path: Path):
    """`ProtectSystem=strict` with `PrivateTmp` by hand: all else is read-only."""
    assert {"PrivateTmp=yes", "ProtectSystem=strict"} <= set(unit().splitlines())
    config = quick_utility(tmp_path / "larkmoor")
    own = config.parent / "tmp"
    own.mkdir()
    inside = ("unshare", "-m", "sh", "-c", READ_ONLY, str(config.parent))
    tried = subprocess.run([*inside, "touch", str(tmp_path / "x")], capture_output=True)
    if b"Read-only" not in tried.stderr:
        pytest.skip("no mount namespace to be had")
    port, log = free_port(), tmp_path / "service.log"
    command = rightsize("schedule", config, "--port", str(port), "--nightly", "* * * * *")
    with process(*inside, *command, log=log, TMPDIR=str(own)):
        until(lambda: answers(f"http://127.0.0.1:{port}/api/health"), "its server")
        until(lambda: (config.parent / "workspace/published/pages").exists(), "a sweep")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=20) as page:
            assert b"<html" in page.read()
    assert published_tables(config)["sweep"]
    said = (config.parent / "workspace/prefect/server.log").read_text()
    assert "Read-only file system" not in said + log.read_text()
