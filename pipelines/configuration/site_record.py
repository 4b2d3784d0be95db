"""Columns of `meters.csv` that record facts of the site: read, checked, and as a record."""

from __future__ import annotations

from typing import Final

import polars as pl

from rightsize.contracts.site_record import SiteRecord
from rightsize.settings import UPSIZE_EVIDENCE

TEXTS: Final[dict[str, tuple[str, ...]]] = {"upsize_evidence": UPSIZE_EVIDENCE}
"""Columns of words, each with those that it may hold."""
MEANINGS: Final[dict[str, str]] = {
    "upsize_evidence": f"what shows that the meter is too small: {', '.join(UPSIZE_EVIDENCE)};"
    " not on record if empty",
}


def typed() -> list[pl.Expr]:
    """Each column with its type; null where nothing is recorded."""
    return [pl.col(name).replace("", None) for name in TEXTS]


def record_of(rows: pl.DataFrame) -> SiteRecord:
    """The record of a block of meters."""
    return SiteRecord(upsize_evidence=tuple(rows["upsize_evidence"]))
