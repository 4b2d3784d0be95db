"""The checked-in export is what its recipe makes."""

from __future__ import annotations

import gzip
from pathlib import Path

from demo_data.regenerate import CHECKED_IN, regenerate

LARGEST_BYTES = 1_000_000  # a clone must stay light


def contents(folder: Path) -> dict[str, bytes]:
    """Bytes of every file; of compressed ones what they hold, since compressors differ."""
    made = (p for p in folder.rglob("*") if p.is_file() and "workspace" not in p.parts)
    return {
        str(p.relative_to(folder)): gzip.decompress(p.read_bytes())
        if p.suffix == ".gz"
        else p.read_bytes()
        for p in made
    }


def test_the_recipe_makes_the_same_bytes_again(tmp_path: Path):
    regenerate(tmp_path)
    assert contents(tmp_path) == contents(CHECKED_IN)


def test_it_is_small():
    assert sum(p.stat().st_size for p in CHECKED_IN.rglob("*.gz")) < LARGEST_BYTES
