"""A sweep from and to an S3 store that answers on the loopback, as processes of their own."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
import yaml

from tests.faults.object_store.loopback_store import SECRET, bucket, loopback_store
from tests.faults.service.processes import PROJECT, free_port, rightsize
from tests.pipelines.small_utility import CHECKED_IN, published_tables, quick_utility

pytest.importorskip("s3fs")
pytest.importorskip("moto")
pytestmark = pytest.mark.heavy


@pytest.fixture
def store(tmp_path: Path) -> Iterator[dict[str, str]]:
    with loopback_store(tmp_path / "store.log") as reach:
        yield reach


def remote(config: Path) -> Path:
    """The utility with its interval reads in the bucket and its results to go there."""
    settings = yaml.safe_load(config.read_text())
    settings["exports"][0]["path"] = "s3://utility/exports/reads*.csv*"
    settings["copy_results_to"] = "s3://utility/results"
    config.write_text(yaml.safe_dump(settings, sort_keys=False))
    return config


def swept(config: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        rightsize("sweep", config, "--log-json"),
        cwd=PROJECT,
        capture_output=True,
        text=True,
        env={**os.environ, **environment},
        check=False,
        timeout=240,
    )


@pytest.mark.heavy_ci
def test_a_sweep_reads_from_and_copies_to_an_s3_store(store: dict[str, str], tmp_path: Path):
    plain = quick_utility(tmp_path / "plain")
    assert swept(plain).returncode == 0
    config = remote(quick_utility(tmp_path / "remote"))
    s3 = bucket(store)
    for month in ("2025-01", "2025-02"):
        name = f"reads_{month}.csv.gz"
        s3.put_file(str(CHECKED_IN / "exports" / name), f"utility/exports/{name}")
        ended = swept(config, **store)
        assert ended.returncode == 0, ended.stderr
        assert SECRET not in ended.stderr + ended.stdout
        if month == "2025-01":
            ours, theirs = published_tables(config), published_tables(plain)
            assert ours["profile"] == theirs["profile"]
            assert ours["landed_file"] == theirs["landed_file"]
    said = json.loads(s3.cat_file("utility/results/latest.json"))
    for file in said["files"]:
        content = s3.cat_file(f"utility/results/{said['folder']}/{file['name']}")
        assert hashlib.sha256(content).hexdigest() == file["sha256"]
    copied = tmp_path / "results.duckdb"
    s3.get_file(f"utility/results/{said['folder']}/results.duckdb", str(copied))
    with duckdb.connect(str(copied), read_only=True) as connection:
        (count,) = connection.execute("select count(*) from results.sweep").fetchone()
    assert count == 2
    assert len(s3.ls("utility/results/sweeps")) == 2
    assert swept(config, **store).returncode == 0, "a night without news"


@pytest.mark.heavy_ci
def test_a_store_that_is_gone_or_refuses_is_one_line_and_the_results_stay(
    store: dict[str, str], tmp_path: Path
):
    config = remote(quick_utility(tmp_path / "remote"))
    january = CHECKED_IN / "exports/reads_2025-01.csv.gz"
    bucket(store).put_file(str(january), "utility/exports/reads_2025-01.csv.gz")
    assert swept(config, **store).returncode == 0
    results = config.parent / "workspace/published/results.duckdb"
    before = results.read_bytes()
    gone = {**store, "AWS_ENDPOINT_URL": f"http://127.0.0.1:{free_port()}"}
    ended = swept(config, **gone)
    assert ended.returncode == 1
    (told,) = [x for x in ended.stderr.splitlines() if not x.startswith("{")]
    assert told.startswith("rightsize: s3://utility/exports/reads*.csv*: ")
    assert SECRET not in ended.stderr
    assert results.read_bytes() == before
    settings = yaml.safe_load(config.read_text())
    settings["copy_results_to"] = "s3://no-such-bucket/results"
    config.write_text(yaml.safe_dump(settings, sort_keys=False))
    ended = swept(config, **store)
    assert ended.returncode == 1
    assert "rightsize: s3://no-such-bucket/results: " in ended.stderr
