"""What the meter list records of a site beside the meter: one block of meters as columns."""

from __future__ import annotations

from dataclasses import dataclass, fields

from rightsize.errors import ContractError
from rightsize.settings import BACKFLOW, UPSIZE_EVIDENCE


@dataclass(frozen=True)
class SiteRecord:
    """Recorded facts of A sites; None where nothing is recorded.

    A fact that is not recorded is unknown: it is neither there nor absent.
    """

    upsize_evidence: tuple[str | None, ...]  # [A] what shows that the meter is too small
    manifold: tuple[str | None, ...]  # [A] name of the group of meters side by side
    backflow: tuple[str | None, ...]  # [A] backflow preventer in line with the meter

    @classmethod
    def blank(cls, size: int) -> SiteRecord:
        """Nothing recorded of `size` sites."""
        none: tuple[str | None, ...] = (None,) * size
        return cls(upsize_evidence=none, manifold=none, backflow=none)

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
        words = {"upsize_evidence": UPSIZE_EVIDENCE, "backflow": BACKFLOW}
        for name, allowed in words.items():
            unknown = {w for w in getattr(self, name) if w is not None} - set(allowed)
            if unknown:
                raise ContractError(f"sites: unknown {name} {sorted(unknown)[0]!r}")
