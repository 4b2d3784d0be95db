"""Fixtures of all pipeline tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fsspec.implementations.memory import MemoryFileSystem

from pipelines import object_store
from tests.pipelines.prefect_server import prefect, prefect_url

__all__ = ["prefect", "prefect_url", "store"]


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[MemoryFileSystem]:
    """An object store in memory, empty before and after; a configuration may name it."""
    monkeypatch.setattr(object_store, "FLEETING", frozenset())
    MemoryFileSystem.store.clear()
    yield MemoryFileSystem()
    MemoryFileSystem.store.clear()
