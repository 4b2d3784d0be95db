"""Which tests keep together when they run on all cores; the shipped meters, loaded once."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.catalogue import Catalogue

TESTS: Final = Path(__file__).parent
SHARES_A_DEMO: Final = [
    f"tests/acceptance/{name}.py"
    for name in (
        "test_rerun",
        "test_bad_input",
        "test_balance",
        "test_commands",
        "test_truth",
        "field/test_meter_test_program",
    )
]
"""Files that ask for the swept demo of a session: on one worker it is made but once."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> object:
    """A file's tests stay together (files make their own fleets), and files that share one."""
    from xdist.scheduler import LoadFileScheduling

    assert all((TESTS.parent / file).is_file() for file in SHARES_A_DEMO)

    class TogetherWhatShares(LoadFileScheduling):  # type: ignore[misc]
        def _split_scope(self, nodeid: str) -> str:
            file = super()._split_scope(nodeid)
            return SHARES_A_DEMO[0] if file in SHARES_A_DEMO else file

    return TogetherWhatShares(config, log)


UMASK: Final = os.umask(0o022)
os.umask(UMASK)


@pytest.fixture(autouse=True)
def _umask_is_put_back() -> Iterator[None]:
    """A command closes what it writes to others: not what later tests write."""
    yield
    os.umask(UMASK)


@pytest.fixture(scope="session")
def shipped() -> Catalogue:
    return load_catalogue()
