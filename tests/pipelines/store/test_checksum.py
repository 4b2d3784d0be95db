"""A file of ours that changed after it was written is never taken for whole."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.store.checksum import (
    PROMISE,
    PROMISED,
    State,
    check,
    seal,
    sealed_json,
    state_of,
    unsealed_json,
)
from rightsize.errors import DamageError

ROWS = pl.DataFrame({"meter_id": ["M1", "M2"] * 20, "gal": [float(k) for k in range(40)]})


@pytest.fixture(params=["duckdb", "polars"])
def sealed(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "reads.parquet"
    if request.param == "polars":
        ROWS.write_parquet(path, compression="zstd", metadata=PROMISE)
    else:
        with duckdb.connect() as connection:
            connection.register("rows", ROWS.to_arrow())
            connection.execute(f"copy rows to '{path}' (format parquet, {PROMISED})")
    seal(path)
    return path


def test_any_reader_reads_a_sealed_file(sealed: Path):
    assert state_of(sealed) is State.whole
    assert pl.read_parquet(sealed).equals(ROWS)
    assert pl.from_arrow(pq.read_table(sealed)).equals(ROWS)
    with duckdb.connect() as connection:
        assert connection.sql(f"from '{sealed}'").pl().equals(ROWS)


def test_one_flipped_bit_at_any_place_is_seen(sealed: Path):
    whole = sealed.read_bytes()
    for place in range(len(whole)):
        changed = bytearray(whole)
        changed[place] ^= 1 << place % 8
        sealed.write_bytes(changed)
        assert state_of(sealed) is State.damaged, place


@pytest.mark.parametrize("zeroed", [16, 512, 4096])
def test_a_block_of_zeros_anywhere_is_seen(sealed: Path, zeroed: int):
    whole = sealed.read_bytes()
    for place in range(0, len(whole) - 12, 8):  # less than the footer's own mark
        changed = bytearray(whole)
        changed[place : place + zeroed] = bytes(len(changed[place : place + zeroed]))
        sealed.write_bytes(changed)
        if changed.count(0) < len(changed):
            assert state_of(sealed) is not State.whole, place


def test_a_cut_or_longer_file_is_seen(sealed: Path):
    whole = sealed.read_bytes()
    for length in range(len(whole)):
        sealed.write_bytes(whole[:length])
        assert state_of(sealed) is State.damaged, length
    sealed.write_bytes(whole + b"\0")
    assert state_of(sealed) is State.damaged


def test_a_file_without_a_checksum_is_told_apart(tmp_path: Path):
    ROWS.write_parquet(tmp_path / "old.parquet")
    assert state_of(tmp_path / "old.parquet") is State.unsealed
    for content in (b"", b"PAR1", b"garbage"):
        (tmp_path / "none.parquet").write_bytes(content)
        assert state_of(tmp_path / "none.parquet") is State.damaged


def test_a_damaged_file_is_named_with_its_cure(sealed: Path):
    check([(Path("profile/x.parquet"), sealed)])
    sealed.write_bytes(sealed.read_bytes()[:-40] + bytes(40))
    with pytest.raises(DamageError, match=r"interval_read/.* is damaged: .*lands again"):
        check([(Path("lake/interval_read/month=2025-01/bucket=00/a.parquet"), sealed)])
    sealed.unlink()
    with pytest.raises(DamageError, match=r"profile/.* is missing; run a sweep"):
        check([(Path("profile/month=2025-01/bucket=00/f/a.parquet"), sealed)])


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None)
@given(
    document=st.dictionaries(st.text().filter(lambda k: k != "checksum"), JSON), data=st.data()
)
def test_a_document_is_read_as_written_or_not_at_all(document: dict, data: st.DataObject):
    text = sealed_json(document)
    assert unsealed_json(text) == document
    place = data.draw(st.integers(0, len(text) - 1))
    changed = text[:place] + chr(ord(text[place]) ^ 1) + text[place + 1 :]
    found = unsealed_json(changed)
    assert found is None or found == document  # a blank for a blank is no change
    assert json.loads(text)["checksum"]
