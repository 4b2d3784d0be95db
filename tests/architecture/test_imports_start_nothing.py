"""Importing a command starts no work: a process that forks after its imports goes on.

polars starts its threads with the first statement that it runs, and a forked process has none
of them: it would wait for ever.
"""

from __future__ import annotations

import subprocess
import sys

CHILD = """
import importlib, os, pkgutil, signal
import pipelines.cli
for package in ("pipelines.sweep", "pipelines.stages", "pipelines.pages", "pipelines.commands"):
    there = importlib.import_module(package)
    for module in pkgutil.walk_packages(there.__path__, package + "."):
        importlib.import_module(module.name)
import polars as pl
child = os.fork()
if child == 0:
    signal.alarm(20)
    pl.DataFrame({"a": ["x", "y"]}).group_by("a").agg(pl.len())  # work of several threads
    os._exit(0)
raise SystemExit(abs(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])))
"""


def test_a_process_that_forks_after_its_imports_can_work() -> None:
    ended = subprocess.run([sys.executable, "-c", CHILD], timeout=60, check=False)
    assert ended.returncode == 0, "an import ran a statement of polars"
