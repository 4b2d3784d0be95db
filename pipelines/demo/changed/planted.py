"""Accounts whose meter was changed in mid-history, and what came of it.

They stand beside the fleet: drawn from a seed of their own, whatever the seed and the size of
the fleet, so that the promises of the utility's pilot sweep (`pilot.py`) belong to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from pipelines.demo.fleet import Plan

Outcome = Literal[
    "gain", "over_promise", "vacancy", "leak_repaired", "multiplier", "worn", "worse", "young",
]  # fmt: skip

OUTCOMES: Final[dict[Outcome, str]] = {
    "gain": "the new meter registers what its curve says",
    "over_promise": "the new meter registers far less than its curve says: a bad batch",
    "vacancy": "a true gain, but the customer left for three months",
    "leak_repaired": "a worn meter, but the crew repaired a leak on that day",
    "multiplier": "a true gain, but the new register counts 10 gal and the list says 1",
    "worn": "a worn meter replaced by a new one of the same type and size",
    "worse": "a larger turbine that registers less than the meter before",
    "young": "a true gain, changed too shortly before the last read",
}

LEAST_ACCOUNTS: Final = 200  # of the fleet: with fewer, classes have too few to compare with
LEAST_MONTHS: Final = 13  # half a year before the first change, a quarter after the last
PILOT_MONTHS: Final = 6  # whose reads the pilot sweep had
FIRST_NUMBER: Final = 9_001  # of accounts; the fleet's begin at 10,001
SEED: Final = 19

BATCH_SHARE: Final = 0.25
"""What the bad batch brings of the gain that its curve promises."""
WORN_LOST_SHARE: Final = 0.12  # of the volume, that a worn meter no longer registers
LEAK_SHARE: Final = 0.25  # of the use, that ran away until the leak was repaired
OLD_REGISTRATION: Final = 0.82  # of the volume, at meters that are changed for a gain, about
POOR_REGISTRATION: Final = 0.88  # about, of the turbine that makes it worse


@dataclass(frozen=True)
class ChangeOut:
    """One planted change-out."""

    number: int
    outcome: Outcome
    customer_class: str
    draw: int  # which site of the class
    month: int  # of the change, counted from the start
    day_of_month: int

    @property
    def account_id(self) -> str:
        """The account."""
        return f"A-{FIRST_NUMBER + self.number}"

    @property
    def old_meter_id(self) -> str:
        """The meter taken out."""
        return f"LM{600_001 + self.number}"

    @property
    def new_meter_id(self) -> str:
        """The meter put in."""
        return f"LM{650_001 + self.number}"

    @property
    def follows_pilot(self) -> bool:
        """Whether the meter put in is the one that the pilot sweep recommended."""
        return self.outcome not in ("worn", "worse", "leak_repaired")

    @property
    def is_worn(self) -> bool:
        """Whether a worn meter is replaced by the same type and size."""
        return self.outcome in ("worn", "leak_repaired")

    @property
    def plan(self) -> Plan:
        """The account as the fleet's plans describe one."""
        streets = ("Skylark Row", "Cistern Lane", "Old Weir Road", "Barleymow Street")
        return Plan(
            index=-1,
            account_id=self.account_id,
            meter_id=self.new_meter_id,
            kind=self.customer_class,
            customer_class=self.customer_class,
            intent="oversized",
            trouble="",
            channel="fixed",
            is_coarse=False,
            customer=f"Weirside {self.customer_class.replace('_', ' ')} {self.number + 1}",
            address=f"{11 + 4 * self.number} {streets[self.number % len(streets)]}",
            area="Weirside",
            is_fire_recorded=True,
        )


_PLANTED: Final[tuple[tuple[Outcome, str, int, int, int], ...]] = (
    # outcome, class, site, month, day
    ("gain", "apartments", 1, 6, 12),
    ("gain", "apartments", 2, 6, 19),
    ("gain", "apartments", 3, 7, 8),
    ("gain", "apartments", 4, 7, 15),
    ("gain", "apartments", 14, 6, 17),
    ("gain", "apartments", 15, 7, 10),
    ("gain", "hotel", 1, 6, 24),
    ("gain", "hotel", 4, 7, 22),
    ("over_promise", "apartments", 5, 6, 11),
    ("over_promise", "apartments", 6, 6, 18),
    ("over_promise", "apartments", 7, 7, 9),
    ("over_promise", "apartments", 8, 7, 16),
    ("over_promise", "apartments", 13, 6, 25),
    ("over_promise", "hotel", 2, 7, 17),
    ("vacancy", "restaurant", 4, 6, 16),
    ("leak_repaired", "apartments", 9, 7, 14),
    ("multiplier", "hotel", 3, 7, 21),
    ("worn", "apartments", 10, 6, 26),
    ("worn", "restaurant", 5, 7, 24),
    ("worse", "apartments", 11, 7, 2),
    ("worse", "restaurant", 6, 7, 7),
    ("young", "apartments", 12, 11, 13),
)

CHANGE_OUTS: Final = tuple(ChangeOut(i, *planted) for i, planted in enumerate(_PLANTED))


def change_outs_of(accounts: int, months: int) -> tuple[ChangeOut, ...]:
    """The change-outs of a demo of this size: none where nothing could be told of them."""
    is_large = accounts >= LEAST_ACCOUNTS and months >= LEAST_MONTHS
    return CHANGE_OUTS if is_large else ()
