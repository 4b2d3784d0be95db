"""What the meter list records of a site beside the meter: one block of meters as columns."""

from __future__ import annotations

from dataclasses import dataclass, fields

from rightsize.errors import ContractError
from rightsize.settings import UPSIZE_EVIDENCE


@dataclass(frozen=True)
class SiteRecord:
    """Recorded facts of A sites; None where nothing is recorded.

    A fact that is not recorded is unknown: it is neither there nor absent.
    """

    upsize_evidence: tuple[str | None, ...]  # [A] what shows that the meter is too small

    @classmethod
    def blank(cls, size: int) -> SiteRecord:
        """Nothing recorded of `size` sites."""
        return cls(upsize_evidence=(None,) * size)

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
        unknown = {e for e in self.upsize_evidence if e is not None} - set(UPSIZE_EVIDENCE)
        if unknown:
            raise ContractError(f"sites: unknown upsize_evidence {sorted(unknown)[0]!r}")
