"""Columns of `meters.csv` that record facts of the site: read, checked, and as a record."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl

from rightsize.contracts.site_record import RECORD_TEXTS, SiteRecord
from rightsize.recommend.rules.own_kind import UNRECORDED
from rightsize.settings import BACKFLOW, END_CONNECTIONS, UPSIZE_EVIDENCE

ALONE: Final = "none"  # written for one of several meters that stands alone
_ONE_PLACE: Final = ["account_id", "service_kind", "service_address"]
NUMBERS: Final[dict[str, tuple[float, float]]] = {  # allowed range, lower end excluded
    "lay_length_in": (0, 240),
    "straight_run_in": (-1e-9, 2400),
}
MEANINGS: Final[dict[str, str]] = {
    "upsize_evidence": f"what shows that the meter is too small: {', '.join(UPSIZE_EVIDENCE)};"
    " not on record if empty",
    "manifold": "name of a group of meters side by side on one line, the same for each of them;"
    " none for a meter that stands alone. If empty, several meters of one account, service and"
    " address may be such a group",
    "backflow": f"backflow preventer in line: {', '.join(BACKFLOW)}; not on record if empty",
    "lay_length_in": "length of the place for the meter, face to face [in]; that of the"
    " installed type and size if empty",
    "end_connection": f"ends of that place: {' or '.join(END_CONNECTIONS)}; those of the"
    " installed type and size if empty",
    "straight_run_in": "straight pipe before the meter [in]; enough for the installed type if"
    " empty",
    "has_strainer": "yes or no; if empty, as the installed type needs it",
    "has_power": "yes or no: power from the mains at the meter",
    "in_street": "yes or no: the meter is in the street and needs traffic control",
}
"""Each column with its meaning."""


def typed() -> list[pl.Expr]:
    """Each column with its type; null where nothing is recorded."""
    texts = [pl.col(name).replace("", None) for name in RECORD_TEXTS]
    return [*texts, *(pl.col(name).cast(pl.Float64, strict=False) for name in NUMBERS)]


def record_of(rows: pl.DataFrame) -> SiteRecord:
    """The record of a block of meters."""
    facts: dict[str, Any] = {name: tuple(rows[name]) for name in RECORD_TEXTS}
    for name in NUMBERS:
        facts[name] = rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
    return SiteRecord(**facts)


def with_manifold(service: pl.DataFrame) -> pl.DataFrame:
    """The meters in service, each with its group: as recorded, or that it may be one of.

    Several meters of one account, service and address that are not on record as standing alone
    may be side by side; without an address nothing says that they stand at one place.
    """
    has_address = pl.col("service_address").fill_null("") != ""
    is_blank = pl.col("manifold").is_null() & has_address
    may_be = is_blank & (is_blank.sum().over(_ONE_PLACE) > 1)
    name = pl.format("{}{}", pl.lit(UNRECORDED), pl.col("account_id"))
    is_alone = pl.col("manifold").str.to_lowercase() == ALONE
    return service.with_columns(
        manifold=pl.when(may_be).then(name).when(~is_alone).then("manifold")
    )
