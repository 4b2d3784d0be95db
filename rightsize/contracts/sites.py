"""Site data needed for the decision, besides flow: one block of meters as columns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.site_record import SiteRecord
from rightsize.errors import ContractError
from rightsize.settings import CUSTOMER_CLASSES, FIRE_ARRANGEMENTS, SERVICE_KINDS

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SiteBlock:
    """Sites of A meters in service, in the order of the `ProfileBlock` they belong to.

    NaN means "not known". Optional: `month_volume_share`, the share of annual volume by
    calendar month, each row summing to 1 (equal months if absent), `last_use_on`, the day of
    the last registration of a stopped meter, `fire_arrangement`, how fire flow reaches the
    site, as recorded, `record`, what else is recorded of it, `is_logged`, whether a flow
    log is behind its posterior (none if absent), and `is_to_log`, whether the campaign under
    way logs it (any may be if absent: there is none).
    """

    service_kind: tuple[str, ...]  # [A] domestic, irrigation, fire, combined, unknown
    customer_class: tuple[str, ...]  # [A] one of the contract's classes
    service_line_in: Array  # [A] nominal size of the service line [in]
    spare_head_psi: Array  # [A] available pressure drop [psi]
    is_critical: NDArray[np.bool_]  # [A] cannot be shut off
    area: tuple[str | None, ...]  # [A] route, district or zone, to bundle work
    age_years: Array  # [A] age of the installed meter [years]
    meter_index: NDArray[np.int64]  # [A] installed meter's row in the catalog; -1 unknown
    month_volume_share: Array | None = None  # [A, 12]
    last_use_on: tuple[str | None, ...] | None = None  # [A] None if the meter runs
    fire_arrangement: tuple[str | None, ...] | None = None  # [A] None if not recorded
    record: SiteRecord | None = None
    is_logged: NDArray[np.bool_] | None = None  # [A] a flow log tells its peak and low flow
    is_to_log: NDArray[np.bool_] | None = None  # [A] a log is planned there

    @property
    def size(self) -> int:
        """Number of meters in the block."""
        return len(self.service_kind)

    def check(self) -> None:
        """Check the block for contradictions.

        Raises
        ------
        ContractError
            If columns differ in length, or a kind or class is not one of the contract's.
        """
        lengths = {
            name: len(getattr(self, name))
            for name in (
                "service_kind", "customer_class", "service_line_in", "spare_head_psi",
                "is_critical", "area", "age_years", "meter_index",
            )
        }  # fmt: skip
        if self.last_use_on is not None:
            lengths["last_use_on"] = len(self.last_use_on)
        if self.fire_arrangement is not None:
            lengths["fire_arrangement"] = len(self.fire_arrangement)
        if self.is_logged is not None:
            lengths["is_logged"] = len(self.is_logged)
        if self.is_to_log is not None:
            lengths["is_to_log"] = len(self.is_to_log)
        if self.record is not None:
            self.record.check(self.size)
        if len(set(lengths.values())) > 1:
            raise ContractError(f"sites: columns differ in length: {lengths}")
        _refuse_unknown("service_kind", self.service_kind, SERVICE_KINDS)
        _refuse_unknown("customer_class", self.customer_class, CUSTOMER_CLASSES)
        recorded = tuple(r for r in self.fire_arrangement or () if r is not None)
        _refuse_unknown("fire_arrangement", recorded, FIRE_ARRANGEMENTS)
        share = self.month_volume_share
        if share is not None and share.shape != (self.size, 12):
            raise ContractError(
                f"sites: month_volume_share must be [{self.size}, 12], got {list(share.shape)}"
            )
        if share is not None and np.any(
            ~(share >= 0) | (abs(share.sum(axis=1) - 1) > 1e-6)[:, None]
        ):
            raise ContractError(
                "sites: month_volume_share must be 0 or more and sum to 1 per row"
            )


def _refuse_unknown(column: str, values: tuple[str, ...], allowed: tuple[str, ...]) -> None:
    unknown = sorted(set(values) - set(allowed))
    if unknown:
        raise ContractError(
            f"sites: unknown {column} {unknown[0]!r}; allowed: {', '.join(allowed)}"
        )
