"""The lock of a workspace: one sweep at a time, and a crash of its holder frees it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.store.workspace import Workspace
from rightsize.errors import WorkspaceBusyError

PROJECT = Path(__file__).resolve().parents[3]
HOLD = """
import sys
from pathlib import Path
from pipelines.store.workspace import Workspace
with Workspace(Path(sys.argv[1])).hold("nightly"):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    return Workspace(tmp_path / "workspace")


def holding(workspace: Workspace) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(workspace.root)],
        cwd=PROJECT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def test_a_second_sweep_is_told_who_holds_the_workspace(workspace: Workspace):
    with holding(workspace) as process:
        with pytest.raises(WorkspaceBusyError, match=f"process {process.pid} on .*nightly"):
            workspace.hold().__enter__()
        holder = workspace.holder()
        assert holder is not None
        assert (holder.pid, holder.kind) == (process.pid, "nightly")
        process.communicate("")
    assert workspace.holder() is None
    assert workspace.left_behind() is None


def test_a_killed_holder_frees_the_workspace_and_is_remembered(workspace: Workspace):
    with holding(workspace) as process:
        os.kill(process.pid, signal.SIGKILL)
        process.wait(10)
        dead = workspace.left_behind()
        assert dead is not None
        assert dead.pid == process.pid
    with workspace.hold():
        pass
    assert workspace.left_behind() is None


def test_one_who_only_looks_does_not_keep_a_sweep_out(workspace: Workspace):
    import fcntl
    import threading

    workspace.root.mkdir(parents=True)
    looking = workspace.lock.open("a+")
    fcntl.flock(looking, fcntl.LOCK_SH)
    threading.Timer(0.08, looking.close).start()
    with workspace.hold():
        assert workspace.holder() is not None
