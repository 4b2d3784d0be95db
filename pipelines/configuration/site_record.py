"""Columns of `meters.csv` that record facts of the site: read, checked, and as a record."""

from __future__ import annotations

from typing import Final

import polars as pl

from rightsize.contracts.site_record import SiteRecord
from rightsize.settings import BACKFLOW, UPSIZE_EVIDENCE

TEXTS: Final[dict[str, tuple[str, ...]]] = {
    "upsize_evidence": UPSIZE_EVIDENCE,
    "manifold": (),
    "backflow": BACKFLOW,
}
"""Columns of words, each with those that it may hold; any if none is named."""
MEANINGS: Final[dict[str, str]] = {
    "upsize_evidence": f"what shows that the meter is too small: {', '.join(UPSIZE_EVIDENCE)};"
    " not on record if empty",
    "manifold": "name of a group of meters side by side on one line, the same for each of them",
    "backflow": f"backflow preventer in line: {', '.join(BACKFLOW)}; not on record if empty",
}


def typed() -> list[pl.Expr]:
    """Each column with its type; null where nothing is recorded."""
    return [pl.col(name).replace("", None) for name in TEXTS]


def record_of(rows: pl.DataFrame) -> SiteRecord:
    """The record of a block of meters."""
    return SiteRecord(**{name: tuple(rows[name]) for name in TEXTS})
