"""A real Prefect server on the loopback, one for a test session."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipelines.service.deployments import prefect_api


@pytest.fixture(scope="session")
def prefect_url(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Started by the code that `rightsize schedule` uses; ended with the session.

    One that the environment names is used as it is.
    """
    before = os.environ.get("PREFECT_HOME")
    home: Path = tmp_path_factory.mktemp("prefect")
    with prefect_api(home) as url:
        yield url
    if before is None:
        os.environ.pop("PREFECT_HOME", None)
    else:
        os.environ["PREFECT_HOME"] = before


@pytest.fixture
def prefect(prefect_url: str) -> Iterator[str]:
    """Flows of the test talk to that server."""
    from prefect.settings import (
        PREFECT_API_AUTH_STRING,
        PREFECT_API_URL,
        PREFECT_LOGGING_TO_API_ENABLED,
        temporary_settings,
    )

    with temporary_settings(
        {
            PREFECT_API_URL: prefect_url,
            PREFECT_API_AUTH_STRING: os.environ.get("PREFECT_API_AUTH_STRING"),
            PREFECT_LOGGING_TO_API_ENABLED: False,
        }
    ):
        yield prefect_url
