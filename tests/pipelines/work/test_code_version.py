"""The version of the code names what decides results, and nothing else."""

from __future__ import annotations

import pytest

from pipelines.store.resources import data_root
from pipelines.work import code_version as versions
from pipelines.work.code_version import (
    ROOMS_THAT_DECIDE_NOTHING,
    code_version,
    deciding_sources,
)


@pytest.mark.parametrize(
    "name",
    [
        "rightsize/recommend/choose.py",
        "rightsize/contracts/recommendation.py",
        "rightsize/inference/reads/signs.py",
        "pipelines/stages/publish/publish.py",
        "pipelines/sources/wide.py",
        "pipelines/configuration/load_settings.py",
        "sql/30_profile/month_stat.sql",
        "sql/70_publish/settled.sql",
    ],
)
def test_what_decides_results_counts(name):
    assert name in deciding_sources()


@pytest.mark.parametrize(
    "name",
    [
        "pipelines/cli.py",
        "pipelines/commands/health.py",
        "pipelines/demo/fleet.py",
        "pipelines/handbook/results.py",
        "pipelines/pages/fleet_pages.py",
        "pipelines/service/notify.py",
        "rightsize/evidence/page.py",
        "rightsize/evidence/pictures/palette.py",
        "sql/80_cookbook/leaks_by_night_flow.sql",
    ],
)
def test_what_shows_results_does_not(name):
    assert (data_root() / name).is_file()
    assert name not in deciding_sources()


@pytest.mark.parametrize("room", ROOMS_THAT_DECIDE_NOTHING)
def test_each_exception_is_there(room):
    assert (data_root() / room).exists()


@pytest.mark.parametrize("version", ["code_version", "pages_version"])
def test_a_changed_line_is_another_version(tmp_path, monkeypatch, version):
    source = tmp_path / "page.py"
    named = {"rightsize/recommend/choose.py": source, "rightsize/evidence/page.py": source}
    monkeypatch.setattr(versions, "_files", lambda _: named)
    digest = getattr(versions, version)
    made = []
    for line in ("a = 1", "a = 2", "a = 1"):
        source.write_text(line)
        digest.cache_clear()
        made.append(digest())
    digest.cache_clear()
    assert made[0] == made[2] != made[1]


def test_a_changed_help_text_leaves_the_version(tmp_path, monkeypatch):
    deciding, shown = tmp_path / "choose.py", tmp_path / "cli.py"
    named = {"rightsize/recommend/choose.py": deciding, "pipelines/cli.py": shown}
    monkeypatch.setattr(versions, "_files", lambda _: named)
    deciding.write_text("a = 1")
    made = []
    for text in ("help = 'rebuild'", "help = 'rebuild all'"):
        shown.write_text(text)
        code_version.cache_clear()
        made.append(code_version())
    code_version.cache_clear()
    assert made[0] == made[1]
