"""Files that unpack to gigabytes, or hold a line without end, cost little and are told."""

from __future__ import annotations

import io
import os
import resource
import subprocess
import sys
import textwrap
import zlib
from pathlib import Path

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.store import delimited, packed
from pipelines.store.delimited import MAX_LINE_BYTES
from pipelines.store.packed import content_chunks, unpack
from rightsize.errors import ConfigError
from tests.pipelines.exports import HEADER, Utility, hourly

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}
PROJECT = Path(__file__).resolve().parents[3]
GIGABYTES = 3


def bomb(path: Path, gigabytes: int, *, kind: str, content: bytes = b"\0") -> Path:
    """A small file that unpacks to so much of one byte, behind a good header."""
    block = content * (1 << 20)
    with path.open("wb") as out:
        packer = (
            zstandard.ZstdCompressor(level=3).compressobj()
            if kind == "zst"
            else zlib.compressobj(9, zlib.DEFLATED, 31)
        )
        out.write(packer.compress(HEADER.encode()))
        for _ in range(gigabytes << 10):
            out.write(packer.compress(block))
        out.write(packer.flush())
    return path


@pytest.mark.parametrize("content", [b"\0", b"\n", b"M1,2025-06-01 01:00,1,A\n"])
def test_a_file_that_unpacks_to_gigabytes_is_left_out_and_the_rest_lands(
    tmp_path: Path, content: bytes, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(packed, "_SMALL_BYTES", 1 << 25)
    utility = Utility(tmp_path, dict(INTERVAL))
    utility.write("good.csv", HEADER + hourly("M1", "2025-06-02", [5]))
    bomb(tmp_path / "exports" / "bomb.csv.zst", 1, kind="zst", content=content)
    summary = utility.land()
    assert summary.rows_landed == 1
    (told,) = summary.unread
    assert "bomb.csv.zst: expands to more than 1000 times its size" in told


def test_landing_a_bomb_stays_within_a_gigabyte(tmp_path: Path):
    """In a process of its own, whose memory is counted."""
    utility = Utility(tmp_path, dict(INTERVAL))
    utility.write("good.csv", HEADER + hourly("M1", "2025-06-02", [5]))
    made = bomb(tmp_path / "exports" / "bomb.csv.zst", GIGABYTES, kind="zst")
    assert made.stat().st_size < 400_000
    assert utility.loaded
    code = textwrap.dedent(
        f"""
        from pathlib import Path
        from pipelines.configuration.load_settings import load
        from pipelines.stages.land.land import land
        loaded = load(Path({str(tmp_path / "sweep.yaml")!r}))
        print(land(loaded, loaded.workspace).rows_landed)
        status = Path('/proc/self/status').read_text()  # of this program, not of the fork
        print(status.split('VmHWM:')[1].split()[0])
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=PROJECT,
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    rows, peak_kb = map(int, done.stdout.split())
    assert rows == 1
    assert peak_kb < 1_000_000


@pytest.mark.parametrize("kind", ["zst", "gz"])
def test_no_chunk_of_a_packed_file_is_large(tmp_path: Path, kind: str):
    path = bomb(tmp_path / "bomb", 1, kind=kind)
    sizes = [len(chunk) for chunk, _ in zip(content_chunks(path), range(50), strict=False)]
    assert max(sizes) <= 64 << 20


def test_a_gzip_of_zeros_is_let_through_up_to_its_ratio(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(packed, "_SMALL_BYTES", 1 << 20)
    monkeypatch.setattr(packed, "_MOST_RATIO", 100)
    path = bomb(tmp_path / "bomb", 1, kind="gz")
    with pytest.raises(ConfigError, match="more than 100 times"):
        unpack(path, tmp_path / "out")
    assert (tmp_path / "out").stat().st_size <= 100 * path.stat().st_size + (1 << 20)


LONG = "x" * (MAX_LINE_BYTES + 10)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_line_that_is_too_long_is_one_refused_row(tmp_path: Path, encoding: str, end: str):
    utility = Utility(tmp_path, {**INTERVAL, "encoding": encoding})
    lines = [HEADER.strip(), "M1,2025-06-01 01:00,5,A", LONG, "M1,2025-06-01 02:00,6,A", ""]
    utility.write("reads.csv", end.join(lines).encode(encoding))
    summary = utility.land()
    assert (summary.rows_accepted, summary.rows_rejected) == (2, 1)
    (refused,) = utility.rejected()
    assert refused["source_line"] == 3
    # where the database reads the line itself, it misses columns before it minds the length
    assert refused["rule"] in ("line_too_long", "line_unreadable")
    assert [read["source_line"] for read in utility.lake()] == [2, 4]


def test_a_line_of_gigabytes_is_held_in_part(tmp_path: Path):
    """A sparse file: no line feed in two gigabytes."""
    path = tmp_path / "long.csv"
    with path.open("wb") as out:
        out.write(b"a,b\n")
        out.truncate(2 << 30)
        out.seek(0, os.SEEK_END)
        out.write(b"\n1,2\n")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with path.open("rb") as handle:
        lines = list(delimited._byte_lines(handle))
    assert [len(line) for line in lines[::2]] == [3, 3]
    assert MAX_LINE_BYTES < len(lines[1]) <= 2 * MAX_LINE_BYTES
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000


LINES = st.binary(max_size=40).map(lambda b: b.replace(b"\r", b"").replace(b"\n", b""))


@given(st.lists(LINES))
@settings(max_examples=60, deadline=None)
def test_lines_come_whole_wherever_chunks_end(lines: list[bytes]):
    joined = b"\r\n".join(lines)
    expected = [line[:11] for line in joined.replace(b"\r\n", b"\n").split(b"\n")]
    if expected[-1] == b"":
        expected.pop()
    held, size = delimited._HELD, delimited.MAX_LINE_BYTES
    try:
        delimited._HELD, delimited.MAX_LINE_BYTES = 11, 10
        found = [line[:11] for line in delimited._byte_lines(io.BytesIO(joined))]
    finally:
        delimited._HELD, delimited.MAX_LINE_BYTES = held, size
    if not joined.startswith(b"\xef\xbb\xbf"):
        assert found == expected
