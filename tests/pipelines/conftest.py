"""Fixtures of all pipeline tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fsspec.implementations.memory import MemoryFileSystem

from tests.pipelines.prefect_server import prefect, prefect_url
from tests.pipelines.published_sweep import answer, published

__all__ = ["answer", "prefect", "prefect_url", "published", "store"]


@pytest.fixture
def store() -> Iterator[MemoryFileSystem]:
    """An object store in memory, empty before and after."""
    MemoryFileSystem.store.clear()
    yield MemoryFileSystem()
    MemoryFileSystem.store.clear()
