"""Fixtures of all pipeline tests."""

from tests.pipelines.prefect_server import prefect, prefect_url

__all__ = ["prefect", "prefect_url"]
