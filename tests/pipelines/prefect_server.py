"""A real Prefect server on the loopback, one for a test session."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from pipelines.service.deployments import prefect_api


@dataclass(frozen=True)
class Api:
    """Where a Prefect API answers, and the secret it asks for."""

    url: str
    secret: str | None


@pytest.fixture(scope="session")
def prefect_api_of_tests(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """Started by the code that `rightsize schedule` uses; ended with the session.

    One that the environment names is used as it is. The environment is put back at once:
    a service that another test file starts must not take this server for its own.
    """
    before = dict(os.environ)
    with prefect_api(tmp_path_factory.mktemp("prefect")) as url:
        api = Api(url, os.environ.get("PREFECT_API_AUTH_STRING"))
        for name in os.environ.keys() - before.keys():
            del os.environ[name]
        os.environ.update(before)
        yield api


@pytest.fixture
def prefect(prefect_api_of_tests: Api) -> Iterator[str]:
    """Flows of the test talk to that server."""
    from prefect.settings import (
        PREFECT_API_AUTH_STRING,
        PREFECT_API_URL,
        PREFECT_LOGGING_TO_API_ENABLED,
        temporary_settings,
    )

    with temporary_settings(
        {
            PREFECT_API_URL: prefect_api_of_tests.url,
            PREFECT_API_AUTH_STRING: prefect_api_of_tests.secret,
            PREFECT_LOGGING_TO_API_ENABLED: False,
        }
    ):
        yield prefect_api_of_tests.url
