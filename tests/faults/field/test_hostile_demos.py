"""A demo's folder that no demo can be in, or whose mark is no mark: told in a line."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.faults.told import refused, told


def test_a_folder_whose_name_is_not_text_is_refused(tmp_path: Path):
    folder = tmp_path / os.fsdecode(b"caf\xe9")
    outcome = told("demo", folder, "--accounts", "20", "--months", "1")
    refused(outcome, "is not UTF-8; give another", codes=(2,))
    assert not folder.exists()


@pytest.mark.parametrize(
    "mark",
    [b"", b"{", b"[]", b"null", b"\xff", b'{"months": "x"}', b'{"months": 13}', b"[" * 100_000],
)
def test_a_mark_that_says_nothing_is_no_demo(tmp_path: Path, mark: bytes):
    (tmp_path / "truth").mkdir()
    (tmp_path / "truth" / "demo.json").write_bytes(mark)
    refused(told("demo", tmp_path, "--logs"), "holds no demo of this version", codes=(2,))
