"""Small doors: each refusal is one line, each cell is text, each name its own."""

from __future__ import annotations

import csv
import errno
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
import typer
import yaml
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from pipelines.cli import app, guarded
from pipelines.commands import console
from pipelines.commands.query_output import safe_cell
from pipelines.configuration.fleet import load_fleet
from pipelines.configuration.load_settings import load
from pipelines.stages.validate.validation_page import page_path
from rightsize.errors import ConfigError, DamageError
from rightsize.evidence.file_names import page_file
from rightsize.settings import Settings, Tariff, Thresholds
from tests.pipelines.exports import HEADER, Utility, hourly
from tests.pipelines.small_utility import quick_utility

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    """The command line: exit code, standard output, standard error."""

    def run(*words: str | Path) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as ended:
            app([str(w) for w in words])
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), out, err

    return run


def one_line(err: str) -> bool:
    """One of the command's lines at the end; progress may stand before it."""
    lines = err.strip().splitlines()
    return lines[-1].startswith("rightsize: ") and "Traceback" not in err


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (PermissionError(13, "Permission denied", "/srv/x"), "/srv/x: permission denied"),
        (OSError(30, "Read-only file system", "/srv/x"), "/srv/x: read-only file system"),
        (OSError(28, "No space left on device"), "no space left on device"),
        (FileNotFoundError(2, "No such file or directory", b"/srv/\xff"), "/srv/"),
        (TimeoutError(), "timeouterror"),
    ],
)
def test_what_the_system_refuses_is_one_line(
    error: OSError, told: str, capsys: pytest.CaptureFixture[str]
):
    def command() -> None:
        raise error

    with pytest.raises(typer.Exit) as ended:
        guarded(command)()
    assert ended.value.exit_code == 1
    said = capsys.readouterr().err
    assert told in said
    assert len(said.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (DamageError("x is damaged; restore it"), 2),
        (duckdb.Error("Corrupt database file: computed checksum 1 does not match 2"), 2),
        (duckdb.SerializationException("Serialization Error: no field"), 2),
        (duckdb.OutOfMemoryException("Out of Memory Error: 1 MB"), 1),
        (duckdb.TransactionException("Failed to commit: No space left on device"), 1),
        (OSError(errno.EROFS, "Read-only file system", "workspace/a"), 1),
        (MemoryError(), 1),
        (RuntimeError("No space left on device (os error 28)"), 1),
    ],
    ids=lambda v: type(v).__name__,
)
def test_what_the_system_or_damage_refuses_is_one_line(
    error: Exception, code: int, capsys: pytest.CaptureFixture[str]
):
    def command() -> None:
        raise error

    with pytest.raises(typer.Exit) as ended:
        guarded(command)()
    assert ended.value.exit_code == code
    said = capsys.readouterr().err
    assert one_line(said), said
    assert said.startswith("rightsize: ")


def test_an_error_of_ours_keeps_its_traceback():
    def command() -> None:
        raise KeyError("a mistake")

    with pytest.raises(KeyError):
        guarded(command)()


def test_a_workspace_that_cannot_be_made_is_one_line(tmp_path: Path, run):
    config = quick_utility(tmp_path / "utility")
    (config.parent / "workspace").write_text("a file")
    for command in ("sweep", "health", "query"):
        code, _, err = run(command, config, *(["select 1"] if command == "query" else []))
        if command == "health":
            assert code == 1
        else:
            assert code in (1, 2)
            assert one_line(err), err


def test_a_working_database_that_is_open_elsewhere_is_one_line(tmp_path: Path, run):
    utility = Utility(tmp_path, dict(INTERVAL))
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", [5]))
    utility.land()
    code = f"import duckdb; c = duckdb.connect({str(utility.workspace.database)!r}); print(1); "
    with subprocess.Popen(
        [sys.executable, "-uc", f"{code}input()"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None
        other.stdout.readline()
        ended, _, err = run("sweep", tmp_path / "sweep.yaml")
        other.kill()
    assert ended == 4
    assert one_line(err)
    assert "open in another program" in err


@pytest.fixture
def hostile(tmp_path: Path) -> Utility:
    utility = Utility(tmp_path, dict(INTERVAL))
    rows = "\n".join(
        f"{cell},2025-06-01 01:00,5,A" for cell in ("=1+1", "@x", "+y", "-z", "\t=2")
    )
    utility.write("reads.csv", f"{HEADER}{rows}\nM1,never,=cmd|calc,A\n")
    utility.land()
    return utility


def test_rows_to_csv_guards_every_cell(hostile: Utility, tmp_path: Path, run):
    to = tmp_path / "rows.csv"
    code, _, err = run("rows", tmp_path / "sweep.yaml", "--to", to)
    assert code == 0, err
    cells = [cell for row in csv.reader(to.open(newline="")) for cell in row]
    assert any("=1+1" in cell for cell in cells)
    assert [cell for cell in cells if cell != safe_cell(cell)] == []


def test_a_target_that_cannot_be_written_is_one_line(hostile: Utility, tmp_path: Path, run):
    for to in (tmp_path / "no" / "rows.csv", tmp_path):
        code, _, err = run("rows", tmp_path / "sweep.yaml", "--to", to)
        assert code in (1, 2)
        assert one_line(err), err
        assert "cannot be written" in err


def changed(config: Path, **values: object) -> Path:
    settings = yaml.safe_load(config.read_text())
    config.write_text(yaml.safe_dump({**settings, **values}))
    return config


@pytest.mark.parametrize("key", ["lake", "copy_results_to"])
def test_a_store_that_keeps_nothing_is_refused(tmp_path: Path, key: str):
    config = quick_utility(tmp_path / "utility")
    with pytest.raises(ConfigError, match=r"memory://x: the content of such a store is lost"):
        load(changed(config, **{key: "memory://x"}))


def test_a_pattern_names_no_lake(tmp_path: Path):
    config = quick_utility(tmp_path / "utility")
    with pytest.raises(ConfigError, match="lake"):
        load(changed(config, lake="s3://bucket/a*b"))


@pytest.mark.parametrize(
    "tariff",
    [
        {"classes": {"default": {"tiers": [{"usd_per_kgal": True}]}}},
        {"classes": {"default": {"tiers": [{"usd_per_kgal": 5}], "sewer_usd_per_kgal": False}}},
        {
            "classes": {"default": {"tiers": [{"usd_per_kgal": 5}]}},
            "fixed_charge_usd_per_month": {0.75: True},
        },
        {
            "classes": {"default": {"tiers": [{"usd_per_kgal": 5}]}},
            "fixed_charge_usd_per_month": {True: 5},
        },
    ],
)
def test_yes_is_no_price(tariff: dict):
    with pytest.raises(ValidationError, match="yes or no"):
        Tariff.model_validate(tariff)


def test_yes_is_no_limit_and_no_name():
    for values in ({"draws": True}, {"odds_of_fit": True}, {"stock_list": [True]}):
        with pytest.raises(ValidationError, match="yes or no"):
            Thresholds.model_validate(values)


class Flag(Settings):
    is_on: bool = False
    share: float = 0


@given(st.booleans())
def test_where_yes_or_no_is_meant_it_is_taken(value: bool):
    assert Flag.model_validate({"is_on": value}).is_on is value
    with pytest.raises(ValidationError):
        Flag.model_validate({"share": value})


@pytest.mark.parametrize(
    ("limits", "told"),
    [
        ({"stock_list": ["displacment 1"]}, "stock_list: 'displacment 1'"),
        ({"lead_free_list": ["displacement 99"]}, "lead_free_list: 'displacement 99'"),
        ({"stock_list": ["displacement 1 gold"]}, "stock_list: 'displacement 1 gold'"),
        ({"allowed_standards": ["AWWA C999"]}, "allowed_standards: 'AWWA C999'"),
    ],
)
def test_a_name_that_the_catalogue_does_not_know_is_refused(
    tmp_path: Path, limits: dict, told: str
):
    config = quick_utility(tmp_path / "utility")
    path = config.parent / "thresholds.yaml"
    content = yaml.safe_load(path.read_text())
    changed(config, thresholds="thresholds.yaml")
    path.write_text(yaml.safe_dump({**content, "stock_list": ["displacement 1"]}))
    assert load_fleet(load(config))
    path.write_text(yaml.safe_dump({**content, **limits}))
    with pytest.raises(ConfigError) as refused:
        load_fleet(load(config))
    assert told in str(refused.value)
    assert "thresholds.yaml" in str(refused.value)


def test_the_validation_page_lets_nothing_run(tmp_path: Path):
    from pipelines.sweep.sweep import run_sweep

    loaded = load(quick_utility(tmp_path / "utility"))
    run_sweep(loaded, workers=2)
    page = page_path(loaded.workspace).read_text()
    policy = page.split('content="')[1].split('"')[0]
    assert policy.startswith("default-src 'none'")
    assert "script" not in policy


def test_page_names_are_told_apart_by_128_bits():
    name = page_file("a/b")
    assert len(name.removesuffix(".html").rpartition("~")[2]) * 4 == 128


def test_an_error_shows_control_characters(capsys: pytest.CaptureFixture[str]):
    def command() -> None:
        raise ConfigError("account \x1b[31mred\x07")

    with pytest.raises(typer.Exit) as ended:
        guarded(command)()
    assert ended.value.exit_code == 2
    said = capsys.readouterr().err
    assert "\x1b" not in said
    assert console.visible("\x1b[31mred\x07") in said
