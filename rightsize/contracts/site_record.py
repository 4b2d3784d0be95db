"""What the meter list records of a site beside the meter: one block of meters as columns."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.errors import ContractError
from rightsize.settings import BACKFLOW, END_CONNECTIONS, UPSIZE_EVIDENCE, YES_OR_NO

Array = NDArray[np.float64]

RECORD_TEXTS: Final[dict[str, tuple[str, ...]]] = {
    "upsize_evidence": UPSIZE_EVIDENCE,
    "manifold": (),
    "backflow": BACKFLOW,
    "end_connection": END_CONNECTIONS,
    "has_strainer": YES_OR_NO,
    "has_power": YES_OR_NO,
    "in_street": YES_OR_NO,
}
"""Facts in words, each with those that it may have; any if none is named."""


@dataclass(frozen=True)
class SiteRecord:
    """Recorded facts of A sites; None where nothing is recorded.

    A fact that is not recorded is unknown: it is neither there nor absent.
    """

    upsize_evidence: tuple[str | None, ...]  # [A] what shows that the meter is too small
    manifold: tuple[str | None, ...]  # [A] name of the group of meters side by side
    backflow: tuple[str | None, ...]  # [A] backflow preventer in line with the meter
    end_connection: tuple[str | None, ...]  # [A] ends of the place: threaded or flanged
    has_strainer: tuple[str | None, ...]  # [A] yes or no
    has_power: tuple[str | None, ...]  # [A] yes or no
    in_street: tuple[str | None, ...]  # [A] yes or no: traffic control is needed
    lay_length_in: Array  # [A] length of the place for the meter; NaN if not recorded
    straight_run_in: Array  # [A] straight pipe before it; NaN if not recorded

    @classmethod
    def blank(cls, size: int) -> SiteRecord:
        """Nothing recorded of `size` sites."""
        none: tuple[str | None, ...] = (None,) * size
        unknown = np.full(size, np.nan)
        return cls(
            **dict.fromkeys(RECORD_TEXTS, none), lay_length_in=unknown, straight_run_in=unknown
        )

    def check(self, size: int) -> None:
        """Check the record for contradictions.

        Raises
        ------
        ContractError
            If columns differ in length, or a value is not one of the contract's.
        """
        lengths = {f.name: len(getattr(self, f.name)) for f in fields(self)}
        if set(lengths.values()) != {size}:
            raise ContractError(f"sites: record has {lengths} rows, not {size}")
        for name, allowed in RECORD_TEXTS.items():
            if not allowed:
                continue
            unknown = {w for w in getattr(self, name) if w is not None} - set(allowed)
            if unknown:
                raise ContractError(f"sites: unknown {name} {sorted(unknown)[0]!r}")
