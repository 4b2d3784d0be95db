"""The reading guide's own examples run as they stand."""

from __future__ import annotations

import re

import duckdb
import pytest

from pipelines.handbook_results import HANDBOOK
from pipelines.query import check_question

PAGE = (HANDBOOK / "reading_results.md").read_text(encoding="utf-8")
PYTHON = re.findall(r"```python\n(.*?)```", PAGE, re.S)
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
    (statements,) = re.findall(r"```sql\n(.*?)```", PAGE, re.S)
    assert len(duckdb.extract_statements(statements)) == 7
