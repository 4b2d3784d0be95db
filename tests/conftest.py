"""The shipped meters, loaded once."""

from __future__ import annotations

import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.catalogue import Catalogue


@pytest.fixture(scope="session")
def shipped() -> Catalogue:
    return load_catalogue()
