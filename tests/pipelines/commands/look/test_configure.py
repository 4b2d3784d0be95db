"""Files looked at together: a configuration that is whole, and that reads them."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.commands.look.configure import propose_configuration, write_configuration
from pipelines.configuration.load_settings import load
from pipelines.configuration.meter_list import meters_of
from pipelines.stages.land.land import land
from pipelines.store.workspace import Workspace
from rightsize.errors import ConfigError

METERS = 'Account;Serial;Type;Size;Class\nA1;M1;PD;5/8";OFF\nA2;M2;XQ9;2;Z1\n'


def reads(month: int, meters: tuple[str, ...] = ("M1", "M2"), volume: int = 3) -> str:
    return "meter,ts,usage\n" + "".join(
        f"{m},2025-{month:02d}-{d:02d} {h:02d}:00,{volume}\n"
        for m in meters
        for d in range(1, 15)
        for h in range(24)
    )


def written(folder: Path, **files: str) -> list[Path]:
    paths = []
    for name, text in files.items():
        paths.append(folder / f"{name}.csv")
        paths[-1].write_text(text)
    return paths


def test_months_are_one_export_and_corrections_their_own(tmp_path: Path) -> None:
    few = "meter,ts,usage\nM1,2025-01-02 03:00,9\n"
    paths = written(tmp_path, r_1=reads(1), r_2=reads(2), r_1_fix=few, meters=METERS)
    with pytest.raises(ConfigError, match=r"no pattern tells r_1.csv and r_2.csv from r_1_fix"):
        propose_configuration(paths, tmp_path)
    paths[2] = paths[2].rename(tmp_path / "mended.csv")
    found = propose_configuration(paths, tmp_path)
    exports = yaml.safe_load(found.text)["exports"]
    assert [(e["name"], e["path"], e.get("supersedes")) for e in exports] == [
        ("r_1", "r_*.csv", None),
        ("mended", "mended.csv", ["r_1"]),
    ]


def test_what_a_person_must_choose_is_said_in_the_file(tmp_path: Path) -> None:
    paths = written(tmp_path, reads=reads(1, ("M1", "M9")), list=METERS)
    text = propose_configuration(paths, tmp_path).text
    for said in (
        "CHOOSE the utility's time zone",
        "CHOOSE: what type is 'XQ9' (1 meters)?",
        "CHOOSE: class 'Z1' (1 meters) is unknown",
        "CHOOSE: the file does not say its unit",
        "1 meters of the reads are not listed: M9",
        "1 listed meters have no read in what was looked at: M2",
    ):
        assert said in text


def test_one_edit_and_it_runs(tmp_path: Path) -> None:
    paths = written(tmp_path, reads=reads(1), list=METERS)
    target = tmp_path / "sweep.yaml"
    write_configuration(propose_configuration(paths, tmp_path, timezone="UTC"), target)
    assert (tmp_path / "tariff.yaml").read_text().startswith("# CHOOSE: these rates are an ex")
    with pytest.raises(ConfigError, match=r"line 3: meter_type 'XQ9' is unknown"):
        meters_of(load(target))
    target.write_text(
        target.read_text().replace("PD: displacement", "PD: displacement\n    XQ9: turbine")
    )
    loaded = load(target)
    assert meters_of(loaded).frame["meter_type"].to_list() == ["displacement", "turbine"]
    assert land(loaded, Workspace(loaded.workspace_root)).rows_rejected == 0
    with pytest.raises(ConfigError, match="is there already"):
        write_configuration(propose_configuration(paths, tmp_path), target)


def test_a_file_that_is_neither_is_left_out_and_told(tmp_path: Path) -> None:
    paths = written(tmp_path, reads=reads(1), colours="name,colour\nx,red\n")
    assert "# left out: " in propose_configuration(paths, tmp_path).text
    with pytest.raises(ConfigError, match=r"no time column found"):
        propose_configuration(paths[1:], tmp_path)
    with pytest.raises(ConfigError, match=r"a meter list\nno file with reads among them"):
        propose_configuration(written(tmp_path, list=METERS), tmp_path)


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(4)), delimiter=st.sampled_from([",", ";", "\t", "|"]))
def test_the_order_of_the_files_changes_nothing(order: list[int], delimiter: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        texts = {"a_01": reads(1), "a_02": reads(2), "b": reads(1, ("M1",)), "list": METERS}
        texts = {k: t.replace(",", delimiter) for k, t in texts.items()}
        paths = written(Path(name), **texts)
        shuffled = [paths[k] for k in order]
        first = propose_configuration(paths, Path(name))
        assert propose_configuration(shuffled, Path(name)) == first
