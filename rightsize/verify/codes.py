"""Why a change-out has no answer: refused for its data, or set aside for what happened."""

from __future__ import annotations

from typing import Final

REFUSED: Final[dict[str, str]] = {
    "outside_data": "the change is not inside the time that reads cover",
    "two_on_one_day": "the account has two change-outs on one day",
    "removed_meter_reads": "the removed meter has reads after its removal",
    "too_few_periods_before": "too few periods of reads before the change",
    "too_few_periods_after": "too few periods of reads after the change: too young to say",
    "too_few_controls": "too few accounts of the class kept their meter and match",
}
"""Refusals: what the data do not allow to be answered."""

SET_ASIDE: Final[dict[str, str]] = {
    "multiplier": "volume after the change is a multiple as of a wrong multiplier or unit",
    "vacancy": "the account stood next to unused for weeks",
    "leak_repaired": "steady flow fell away: a repaired leak",
    "change_of_use": "use moved to another level at another time than the change",
}
"""Non-routine events (IPMVP's term, from memory): no gain can be told from them. First wins."""

CODES: Final[dict[str, str]] = REFUSED | SET_ASIDE
"""Every reason for which a change-out has no realized gain, with its meaning."""
