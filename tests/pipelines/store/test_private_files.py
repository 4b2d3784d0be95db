"""The secret is made once, for its owner alone, and open places are refused."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from unittest import mock

import pytest

from pipelines.service.run_bounds import RunBounds, run_bounds
from pipelines.store.private_files import FILE, api_secret, private_folder, refuse_open_to_all
from rightsize.errors import ConfigError


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_a_secret_is_made_once_and_nobody_else_can_read_it(tmp_path: Path):
    before = os.umask(0)
    try:
        first = api_secret(tmp_path / "prefect")
    finally:
        os.umask(before)
    assert api_secret(tmp_path / "prefect") == first
    assert api_secret(tmp_path / "other") != first
    assert mode(tmp_path / "prefect") == 0o700
    assert mode(tmp_path / "prefect" / FILE) == 0o600
    user, _, password = first.partition(":")
    assert user
    assert len(password) >= 32
    assert [p.name for p in (tmp_path / "prefect").iterdir()] == [FILE]


def test_a_folder_that_others_could_enter_is_closed(tmp_path: Path):
    """As a version without secret left it."""
    (tmp_path / "prefect").mkdir(mode=0o755)
    (tmp_path / "prefect").chmod(0o777)
    api_secret(tmp_path / "prefect")
    assert mode(tmp_path / "prefect") == 0o700


@pytest.mark.parametrize("text", ["", "rightsize:", "rightsize:short", "no colon at all" * 4])
def test_a_file_that_holds_no_secret_is_refused(tmp_path: Path, text: str):
    private_folder(tmp_path / "prefect")
    path = tmp_path / "prefect" / FILE
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(ConfigError, match="holds no secret"):
        api_secret(tmp_path / "prefect")


def test_a_secret_that_others_could_read_is_refused(tmp_path: Path):
    api_secret(tmp_path)
    (tmp_path / FILE).chmod(0o644)
    with pytest.raises(ConfigError, match="could be read by others"):
        api_secret(tmp_path)


def test_links_in_the_place_of_file_or_folder_are_refused(tmp_path: Path):
    api_secret(tmp_path / "real")
    (tmp_path / "linked").symlink_to(tmp_path / "real")
    with pytest.raises(ConfigError, match="not a folder of this user"):
        api_secret(tmp_path / "linked")
    private_folder(tmp_path / "own")
    (tmp_path / "own" / FILE).symlink_to(tmp_path / "real" / FILE)
    with pytest.raises(ConfigError, match="not a file of this user"):
        api_secret(tmp_path / "own")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a folder to somebody else")
def test_a_folder_of_somebody_else_is_refused(tmp_path: Path):
    (tmp_path / "prefect").mkdir()
    os.chown(tmp_path / "prefect", 12345, 12345)
    with pytest.raises(ConfigError, match="not a folder of this user"):
        api_secret(tmp_path / "prefect")


def test_what_every_user_may_change_is_refused_by_name(tmp_path: Path):
    folder = tmp_path / "srv" / "utility"
    folder.mkdir(parents=True)
    config = folder / "sweep.yaml"
    config.touch()
    refuse_open_to_all(config, folder / "not-there-yet")
    for place in (config, folder, tmp_path / "srv"):
        closed = mode(place)
        place.chmod(closed | 0o002)
        with pytest.raises(ConfigError, match=f"chmod o-w {place}$"):
            refuse_open_to_all(config)
        place.chmod(closed)
    (tmp_path / "srv").chmod(0o1777)  # as /tmp: nobody else can replace what lies in it
    refuse_open_to_all(config)


@mock.patch.dict(os.environ, clear=True)
def test_a_run_gets_its_bounds_from_the_environment_alone(tmp_path: Path):
    with pytest.raises(ConfigError, match="RIGHTSIZE_CONFIG"):
        run_bounds()
    bounds = RunBounds(tmp_path / "sweep.yaml", "tcp://node:8786", "page --now")
    bounds.put()
    assert run_bounds() == bounds
    RunBounds(tmp_path / "sweep.yaml").put()
    assert run_bounds() == RunBounds(tmp_path / "sweep.yaml")
