"""The version of the code names what decides results, and nothing else."""

from __future__ import annotations

import pytest

from pipelines.store.resources import data_root
from pipelines.work.code_version import _SHOWS_ONLY, code_version, deciding_sources


@pytest.mark.parametrize(
    "name",
    [
        "rightsize/recommend/choose.py",
        "rightsize/contracts/recommendation.py",
        "pipelines/stages/publish/publish.py",
        "pipelines/sources/wide.py",
        "sql/30_profile/month_stat.sql",
        "sql/70_publish/settled.sql",
    ],
)
def test_what_decides_results_counts(name):
    assert name in deciding_sources()


@pytest.mark.parametrize(
    "name",
    [
        "pipelines/handbook/results.py",
        "pipelines/demo/fleet.py",
        "rightsize/evidence/page.py",
        "sql/80_cookbook/leaks_by_night_flow.sql",
    ],
)
def test_what_writes_about_results_does_not(name):
    assert (data_root() / name).is_file()
    assert name not in deciding_sources()


@pytest.mark.parametrize("pattern", _SHOWS_ONLY)
def test_each_exception_names_files_that_are_there(pattern):
    assert list(data_root().glob(pattern))


def test_a_changed_line_is_another_version(tmp_path, monkeypatch):
    source = tmp_path / "choose.py"
    monkeypatch.setattr(
        "pipelines.work.code_version.deciding_sources", lambda: {"rightsize/choose.py": source}
    )
    versions = []
    for line in ("a = 1", "a = 2", "a = 1"):
        source.write_text(line)
        code_version.cache_clear()
        versions.append(code_version())
    code_version.cache_clear()
    assert versions[0] == versions[2] != versions[1]
