"""One flipped bit in any file that results rest on: the same results, or one line and none.

`RIGHTSIZE_FLIPS` sets how many places of each kind of file the long run tries.
"""

from __future__ import annotations

import os
import random
import shutil
from pathlib import Path

import pytest

from tests.faults.told import Told, logged_utility, refused, told
from tests.pipelines.small_utility import published_tables

KINDS = {
    "lake": "lake/*_read/*/*/*.parquet",
    "flow logs": "lake/flow_log/*.parquet",
    "rejected": "rejected/*.parquet",
    "profile": "profile/*/*/*/*",
    "learnt": "learnt.json",
    "working database": "work.duckdb",
    "results": "published/results.duckdb",
    "published copies": "published/parquet-versions/*/**/*.parquet",
    "checksums": "published/checksums.json",
    "pages": "published/pages/drawn-by.txt",
}
RARE = {"contract of the copies": "published/parquet-versions/*/contract.txt"}
LONG = int(os.environ.get("RIGHTSIZE_FLIPS", "20"))
QUESTION = "select * from latest_recommendation order by all"


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with all kinds of files, that a full sweep would make again as it is."""
    config = logged_utility(tmp_path_factory.mktemp("swept") / "utility")
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    return config.parent


@pytest.fixture(scope="module")
def swept_twice(swept: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a full sweep makes of it where nothing is damaged."""
    folder = tmp_path_factory.mktemp("twice") / "utility"
    shutil.copytree(swept, folder, symlinks=True)
    assert told("sweep", folder / "sweep.yaml", "--full", "--workers", "1").code in (0, 3)
    return folder / "sweep.yaml"


def flipped(config: Path, kind: str, rng: random.Random) -> Path:
    files = sorted(
        p for p in (config.parent / "workspace").glob((KINDS | RARE)[kind]) if p.is_file()
    )
    assert files, kind
    file = rng.choice(files)
    content = bytearray(file.read_bytes())
    content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    file.unlink()  # not through a hard link
    file.write_bytes(content)
    return file


def hold_to_promise(outcome: Told, what: str) -> bool:
    """Whether the command went through; else it said in a line what is wrong."""
    if outcome.escaped is None and outcome.code in (0, 3) and "damaged" not in outcome.said:
        return True
    refused(outcome, codes=(2,))
    assert "restore" in outcome.said or "run a sweep" in outcome.said, (what, outcome.said)
    return False


def try_flip(swept: Path, swept_twice: Path, folder: Path, kind: str, seed: int) -> str:
    shutil.copytree(swept, folder / "utility", symlinks=True)
    config = folder / "utility" / "sweep.yaml"
    file = flipped(config, kind, random.Random(f"{kind} {seed}"))
    what = f"{kind} {seed}: {file.name}"
    question = told("query", config, QUESTION, "--format", "json")
    if hold_to_promise(question, what):
        whole = told("query", swept / "sweep.yaml", QUESTION, "--format", "json")
        assert question.printed == whole.printed, what
    hold_to_promise(told("rows", config), what)
    hold_to_promise(told("program", config, "--budget", "1000"), what)
    swept_again = told("sweep", config, "--full", "--workers", "1")
    if not hold_to_promise(swept_again, what):
        return "refused"
    assert published_tables(config) == published_tables(swept_twice), what
    return "same"


@pytest.mark.parametrize("kind", KINDS)
def test_one_flipped_bit_changes_no_result(
    swept: Path, swept_twice: Path, tmp_path: Path, kind: str
):
    try_flip(swept, swept_twice, tmp_path / "0", kind, 0)


@pytest.mark.heavy
@pytest.mark.parametrize("kind", [*KINDS, *RARE])
def test_flipped_bits_at_many_places_change_no_result(
    swept: Path, swept_twice: Path, tmp_path: Path, kind: str
):
    counts = {"same": 0, "refused": 0}
    for seed in range(1, LONG + 1):
        counts[try_flip(swept, swept_twice, tmp_path / str(seed), kind, seed)] += 1
        shutil.rmtree(tmp_path / str(seed))
    print(f"{kind}: {counts}")
