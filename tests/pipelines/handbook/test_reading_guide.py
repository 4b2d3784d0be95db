"""The reading guide's own examples run as they stand."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest

from pipelines.commands.query_check import check_question
from pipelines.handbook.results import HANDBOOK

PAGE = (HANDBOOK / "reading_results.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```python\n(.*?)```", PAGE, re.S)
PYTHON = [e for e in EXAMPLES if "postgresql" not in e]
SHELL = re.findall(r"```sh\n(.*?)```", PAGE, re.S)


@pytest.mark.parametrize("example", PYTHON)
def test_a_python_example_runs(published, tmp_path, monkeypatch, example):
    (tmp_path / "workspace").symlink_to(published.workspace.root)
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {}
    exec(example, names)
    for name in ("by_class", "best", "bands", "sweeps"):
        if name in names:
            assert names[name].height > 0
    assert len(PYTHON) >= 2


def test_the_queries_of_the_guide_are_questions():
    asked = [q for block in SHELL for q in re.findall(r'sweep\.yaml "([^"]+)"', block)]
    assert len(asked) >= 3
    for sql in asked:
        check_question(sql)


def test_the_sql_for_postgresql_parses():
    blocks = re.findall(r"```sql\n(.*?)```", PAGE, re.S)
    (statements,) = [block for block in blocks if "postgres" in block]
    assert len(duckdb.extract_statements(statements)) == 7


@pytest.fixture
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a PostgreSQL of its own, on a socket; skipped where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    named = str(found[-1]) if found else shutil.which("initdb")
    if not named:
        pytest.skip("needs a PostgreSQL server (Debian: postgresql)")
    folder = tmp_path_factory.mktemp("pg")
    as_whom = _not_root(folder)
    tools = Path(named).parent
    options = f"-c lock_timeout=5s -c listen_addresses='' -c unix_socket_directories={folder}"

    def run(tool: str, *words: str) -> None:
        command = [tools / tool, "-D", folder / "data", *words]
        subprocess.run(command, check=True, capture_output=True, cwd=folder, **as_whom)

    run("initdb", "-A", "trust", "-U", "loader")
    run("pg_ctl", "-o", options, "-l", str(folder / "log"), "-w", "start")
    try:
        yield f"postgresql:///postgres?host={folder}&user=loader"
    finally:
        run("pg_ctl", "-m", "immediate", "stop")


def _not_root(folder: Path) -> dict[str, object]:
    """The server refuses to run as root: an account without rights takes its place."""
    if os.geteuid() != 0:
        return {}
    for parent in folder.parents[:3]:
        if parent != Path("/tmp"):
            parent.chmod(0o755)
    shutil.chown(folder, "nobody")
    return {"user": "nobody"}


def test_the_example_for_postgresql_fills_a_table_and_fills_it_again(
    published, tmp_path, monkeypatch, postgres
):
    dbapi = pytest.importorskip("adbc_driver_postgresql.dbapi")
    (example,) = set(EXAMPLES) - set(PYTHON)
    (tmp_path / "workspace").symlink_to(published.workspace.root)
    monkeypatch.chdir(tmp_path)
    address = re.search(r'"(postgresql://[^"]+)"', example)[1]
    with dbapi.connect(postgres) as warehouse, warehouse.cursor() as cursor:
        for _ in range(2):
            exec(example.replace(address, postgres), {})
            cursor.execute(
                "select count(*), count(recommended_size_in) from"
                " rightsize.latest_recommendation"
            )
            assert cursor.fetchone() == (40, 36)
            warehouse.rollback()  # lets go of the table
