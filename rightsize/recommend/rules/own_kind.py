"""Services of a kind of their own, and meters side by side: never changed by one sum.

Their flow is judged like any other, but what a change is worth, or which size it takes, does
not follow from one meter's reads and the tariff alone. A change is for engineering review
(common practice).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

OWN_KINDS: Final[dict[str, str]] = {
    "reclaimed": "reclaimed water has rates, parts and cross-connection rules of its own",
    "hydrant": "a hydrant meter moves from job to job, and its reads are of several users",
    "deduct": "what a deduct meter registers lowers the sewer bill: its gain is no revenue",
    "wholesale": "a wholesale meter is sized and tested by contract",
}
"""Service kinds that the tariff and the size rules do not price, each with the reason."""
UNRECORDED: Final = "not on record: "
"""Begins the name of a group of meters of one account, service and address, not known apart."""
MAYBE_MANIFOLD: Final = (
    "the account has several meters of this service at one address, and whether they stand side"
    " by side is not on record"
)
MANIFOLD: Final = "it is one of several meters side by side: size them together"


def own_kind(service_kind: tuple[str, ...], manifold: tuple[str | None, ...]) -> pl.Series:
    """Why a change of each meter is for engineering review; null where nothing is [A].

    Parameters
    ----------
    service_kind, manifold : tuples [A]
        What the line serves, and the name of the manifold the meter is part of, if recorded.
    """
    whys = [
        OWN_KINDS.get(kind) or _side_by_side(group)
        for kind, group in zip(service_kind, manifold, strict=True)
    ]
    return pl.Series("why", whys, dtype=pl.String)


def _side_by_side(group: str | None) -> str | None:
    if group is None:
        return None
    return MAYBE_MANIFOLD if group.startswith(UNRECORDED) else MANIFOLD


def is_own_kind(why: pl.Series) -> NDArray[np.bool_]:
    """Whether a change is for engineering review [A]."""
    return np.asarray(why.is_not_null().to_numpy(), dtype=np.bool_)
