"""The invented utility: its accounts, and what the demo plants in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeVar

import numpy as np

UTILITY: Final = "Larkmoor Water"

Intent = Literal["fits", "oversized", "undersized", "wrong_type"]
Channel = Literal["fixed", "cellular", "walk_by"]
N = TypeVar("N", bound=str)

CLASS_SHARE: Final[dict[str, float]] = {
    "office": 0.17, "apartments": 0.17, "retail": 0.11, "restaurant": 0.11, "irrigation": 0.08,
    "light_industry": 0.07, "school": 0.06, "hotel": 0.05, "laundry": 0.04, "process": 0.04,
    "public": 0.03, "warehouse": 0.025, "mixed": 0.02, "fire": 0.01, "combined": 0.01,
    "hospital": 0.005,
}  # fmt: skip
INTENT_SHARE: Final[dict[Intent, float]] = {
    "fits": 0.52,
    "oversized": 0.27,
    "wrong_type": 0.13,
    "undersized": 0.08,
}
# One trouble an account at most; the first lines come first when the fleet is small.
TROUBLE_SHARE: Final[dict[str, float]] = {
    "leak": 0.05, "hidden_leak": 0.03, "stopped": 0.015, "change_out": 0.04, "unlisted": 0.0025,
    "silent": 0.0025, "unmapped": 0.01, "new": 0.015, "seasonal": 0.02, "slow": 0.01,
    "outage": 0.015, "estimates": 0.01,
}  # fmt: skip
CHANNEL_SHARE: Final[dict[Channel, float]] = {"cellular": 0.06, "walk_by": 0.05}
METER_PREFIX: Final[dict[Channel, str]] = {"fixed": "LM", "cellular": "LC", "walk_by": "LR"}
COARSE_SHARE: Final = 0.07
UNRECORDED_FIRE_SHARE: Final = 0.06
"""Accounts of which the meter list does not say how fire flow reaches them."""
_SPRINKLED: Final = ("apartments", "hotel", "hospital", "light_industry", "process", "school")
TROUBLED_SHARE_AT_MOST: Final = 0.6

CLASS_CODE: Final[dict[str, str]] = {
    "office": "C-OFF", "apartments": "M-APT", "retail": "C-RET", "restaurant": "C-FOOD",
    "irrigation": "I-GRND", "light_industry": "N-LT", "school": "P-SCH", "hotel": "C-HTL",
    "laundry": "C-WASH", "process": "N-PROC", "public": "P-GEN", "warehouse": "N-WH",
    "mixed": "C-MIX", "hospital": "P-HOSP",
}  # fmt: skip
UNMAPPED_CODE: Final = "X-99"

_STREETS: Final = (
    "Quillfeather Lane", "Old Ropewalk", "Thimblegate", "Marlpit Road", "Saltern Street",
    "Heronsward", "Cobbler's Rise", "Pennywhistle Way", "Tallow Court", "Wrenbridge Avenue",
    "Sorrel Bank", "Lantern Row", "Millrace Parade", "Fernhollow Drive", "Bellfounder Street",
)  # fmt: skip
_AREAS: Final = ("Harbour Side", "Old Town", "Upper Mead", "Works End")
_NAMES: Final = (
    "Alderfinch", "Brambleworth", "Cinderlow", "Dunmarrow", "Eversley Tarn", "Foxwhistle",
    "Greyloft", "Harrowmere", "Inkpen Vale", "Juniper Hythe", "Kestrelby", "Larkmoor",
    "Mossgarth", "Nettlecombe", "Oxlip", "Pikestaff", "Quenby Ash", "Ravelstone", "Sedgewater",
    "Thornapple", "Umberlow", "Vetchling",
)  # fmt: skip
_HOUSES: Final[dict[str, str]] = {
    "office": "House", "apartments": "Court", "retail": "Stores", "restaurant": "Kitchen",
    "irrigation": "Gardens", "light_industry": "Works", "school": "School", "hotel": "Hotel",
    "laundry": "Laundry", "process": "Mill", "public": "Hall", "warehouse": "Depot",
    "mixed": "Arcade", "hospital": "Hospital", "fire": "Fire Line", "combined": "Tower",
}  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """What the scenario asks of one account, before any water has flowed."""

    index: int
    account_id: str
    meter_id: str
    kind: str  # a class, or fire or combined
    customer_class: str
    intent: Intent
    trouble: str  # "" for none
    channel: Channel
    is_coarse: bool
    customer: str
    address: str
    area: str
    is_fire_recorded: bool

    @property
    def has_site_facts(self) -> bool:
        """Whether street and strainer are on record: at all but one in eight."""
        return self.index % 8 != 0

    @property
    def fire_arrangement(self) -> str | None:
        """What the meter list records of fire flow; None at a few accounts."""
        if self.kind in ("fire", "combined"):
            return "combined" if self.kind == "combined" else "separate"
        if not self.is_fire_recorded:
            return None
        return "separate" if self.customer_class in _SPRINKLED else "none"

    @property
    def service_kind(self) -> str:
        """`domestic`, `irrigation`, `fire` or `combined`."""
        return self.kind if self.kind in ("fire", "combined", "irrigation") else "domestic"

    @property
    def class_code(self) -> str:
        """The utility's own code of the class, as meters.csv writes it."""
        return UNMAPPED_CODE if self.trouble == "unmapped" else CLASS_CODE[self.customer_class]


def fleet_of(accounts: int, seed: int) -> tuple[Plan, ...]:
    """The plans of so many accounts; the same for the same seed.

    Raises
    ------
    ValueError
        If fewer than 4 or more than 20,000 accounts are asked for.
    """
    if not 4 <= accounts <= 20_000:
        raise ValueError(f"accounts must be between 4 and 20,000; got {accounts}")
    rng = np.random.default_rng([seed, 0])
    kinds = _dealt(_class_shares(accounts), accounts, rng)
    intents = _dealt(INTENT_SHARE, accounts, rng)
    troubles = _troubles(kinds, rng)
    channels, coarse = _channels(kinds, troubles, rng)
    numbers = rng.permutation(accounts).tolist()
    recorded = np.random.default_rng([seed, 2]).random(accounts) >= UNRECORDED_FIRE_SHARE
    return tuple(
        _plan(
            i,
            kinds[i],
            intents[i],
            troubles[i],
            channels[i],
            coarse[i],
            numbers[i],
            bool(recorded[i]),
            rng,
        )
        for i in range(accounts)
    )


def _class_shares(accounts: int) -> dict[str, float]:
    """Shares with at least one of the rare services, where the fleet has room for them."""
    rare = ("fire", "combined", "hospital") if accounts >= 40 else ("fire",)
    return {
        kind: max(share, 1 / accounts) if kind in rare and accounts >= 8 else share
        for kind, share in CLASS_SHARE.items()
    }


def _plan(
    index: int,
    kind: str,
    intent: Intent,
    trouble: str,
    channel: Channel,
    is_coarse: bool,
    number: int,
    is_fire_recorded: bool,
    rng: np.random.Generator,
) -> Plan:
    customer_class = kind
    if kind in ("fire", "combined"):
        customer_class = ("office", "apartments", "hotel", "school")[int(rng.integers(4))]
    name = _NAMES[int(rng.integers(len(_NAMES)))]
    street = _STREETS[int(rng.integers(len(_STREETS)))]
    return Plan(
        index=index,
        account_id=f"A-{10_001 + index}",
        meter_id=f"{METER_PREFIX[channel]}{700_001 + number}",
        kind=kind,
        customer_class=customer_class,
        intent="oversized" if trouble == "hidden_leak" else intent,
        trouble=trouble,
        channel=channel,
        is_coarse=is_coarse,
        customer=f"{name} {_HOUSES[kind]}",
        address=f"{1 + int(rng.integers(240))} {street}",
        area=_AREAS[_STREETS.index(street) % len(_AREAS)],
        is_fire_recorded=is_fire_recorded,
    )


def _dealt(shares: Mapping[N, float], accounts: int, rng: np.random.Generator) -> list[N]:
    """Names dealt out by share (largest remainder), in random order."""
    names = list(shares)
    exact = np.array([shares[n] for n in names])
    exact = exact * accounts / exact.sum()
    count = np.floor(exact).astype(int)
    short = accounts - count.sum()
    count[np.argsort(count - exact, kind="stable")[:short]] += 1
    dealt = [name for name, n in zip(names, count, strict=True) for _ in range(n)]
    return [dealt[i] for i in rng.permutation(accounts)]


def _troubles(kinds: list[str], rng: np.random.Generator) -> list[str]:
    """Each trouble at least once while room is left; never on a fire or combined service."""
    accounts = len(kinds)
    free = [int(i) for i in rng.permutation(accounts) if kinds[i] not in ("fire", "combined")]
    troubles = [""] * accounts
    room = int(TROUBLED_SHARE_AT_MOST * accounts)
    for name, share in TROUBLE_SHARE.items():
        for _ in range(min(room, max(1, round(share * accounts)))):
            place = next((i for i in free if _suits(name, kinds[i])), None)
            if place is not None:
                free.remove(place)
                troubles[place] = name
                room -= 1
    return troubles


def _suits(trouble: str, kind: str) -> bool:
    if trouble in ("stopped", "slow", "seasonal"):
        return kind not in ("irrigation", "school")  # a season would hide it, or hides them
    return not (trouble in ("leak", "hidden_leak") and kind == "irrigation")


def _channels(
    kinds: list[str], troubles: list[str], rng: np.random.Generator
) -> tuple[list[Channel], list[bool]]:
    accounts = len(kinds)
    never = [
        kind in ("fire", "combined") or trouble in ("unlisted", "silent")
        for kind, trouble in zip(kinds, troubles, strict=True)
    ]
    order = [int(i) for i in rng.permutation(accounts) if not never[i]]
    channels: list[Channel] = ["fixed"] * accounts
    for name, share in CHANNEL_SHARE.items():
        for i in order[: max(1, round(share * accounts))]:
            channels[i] = name
        order = order[max(1, round(share * accounts)) :]
    coarse = [False] * accounts
    for i in order[: max(1, round(COARSE_SHARE * accounts))]:
        coarse[i] = True
    return channels, coarse
