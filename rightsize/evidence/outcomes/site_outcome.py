"""One sentence on each change-out of an account, for its site page."""

from __future__ import annotations

from typing import Final

from rightsize.evidence.outcomes import words
from rightsize.evidence.outcomes.words import Row
from rightsize.evidence.quantity import Units

LINES_SHOWN: Final = 3  # newest change-outs: more would push a page past its two sheets


def outcome_lines(change_outs: tuple[Row, ...], units: Units) -> list[tuple[str, str]]:
    """Day and sentence of the newest change-outs, oldest first."""
    shown = change_outs[-LINES_SHOWN:]
    return [(words.day(row["changed_on"]), _sentence(row, units)) for row in shown]


def _sentence(row: Row, units: Units) -> str:
    what = f"{words.meters_of(row, units)}. "
    promise = _promise(row, units)
    if row["standing"] != "judged":
        return f"{what}{promise}No gain can be told: {words.why(row)}."
    came = (
        f"Came: {words.signed_pct(row['realised_gain_pct'])} of the use before "
        f"(90 % range {words.pct_range(row, 'realised_gain')}), "
        f"{words.volume(row, 'realised_gain_gal_per_year', units)} per year: "
        f"{words.CAME_WORD[row['came']]}"
    )
    against = words.PROMISE_WORD.get(row["against_promise"] or "")
    to_date = f" To date {units.usd(row['realised_to_date_usd'])}." if _has_money(row) else ""
    return f"{what}{promise}{came}{', ' + against if against else ''}.{to_date}"


def _promise(row: Row, units: Units) -> str:
    if row["promised_sweep_id"] is None:
        return ""
    share = words.signed_pct(row["promised_gain_pct"])
    volume = words.volume(row, "promised_gain_gal_per_year", units)
    said = f"{share}, {volume}" if share else volume
    return f"Promised before: {said} per year. "


def _has_money(row: Row) -> bool:
    return row["realised_to_date_usd"] is not None
