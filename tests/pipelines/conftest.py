"""Fixtures of all pipeline tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fsspec.implementations.memory import MemoryFileSystem

from pipelines.configuration.load_settings import load
from pipelines.store import object_store
from pipelines.sweep.sweep import run_sweep
from tests.pipelines.prefect_server import prefect, prefect_api_of_tests
from tests.pipelines.published_sweep import answer, published
from tests.pipelines.small_utility import quick_utility

__all__ = ["answer", "plain", "prefect", "prefect_api_of_tests", "published", "store"]


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch) -> Iterator[MemoryFileSystem]:
    """An object store in memory, empty before and after; a configuration may name it."""
    monkeypatch.setattr(object_store, "FLEETING", frozenset())
    MemoryFileSystem.store.clear()
    yield MemoryFileSystem()
    MemoryFileSystem.store.clear()


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The quick utility, swept once without any trouble, for comparison: only to be read."""
    config = quick_utility(tmp_path_factory.mktemp("plain") / "utility")
    assert run_sweep(load(config), workers=2).published is not None
    return config
