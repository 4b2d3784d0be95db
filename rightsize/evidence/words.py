"""What pages say: verdicts, actions, reasons for refusal, the checklist and the cautions.

References
----------
29 CFR 1910.146 (permit-required confined spaces), 29 CFR 1910.147 (control of hazardous
energy): named, not quoted. Lead-free: Safe Drinking Water Act, section 1417 (from memory,
high trust). The checklist is common practice.
"""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACTIONS, VERDICTS

VERDICT_WORD: Final[dict[str, str]] = {v: v.replace("_", " ") for v in VERDICTS}
VERDICT_SIGN: Final[dict[str, str]] = {
    "fits": "=",
    "oversized": "▼",
    "undersized": "▲",
    "wrong_type": "⇄",
    "not_assessed": "?",
}
VERDICT_MEANING: Final[dict[str, str]] = {
    "fits": "no other meter carries the draw and pays for itself",
    "oversized": "a smaller meter of the same type carries the peak and pays for itself",
    "undersized": "the peak exceeds the safe maximum, or the sustained flow the continuous"
    " rating, beyond the set confidence",
    "wrong_type": "the best meter that carries the peak and pays is of another type",
    "not_assessed": "the reads or the service do not allow a verdict; the reason is given",
}
ACTION_WORD: Final[dict[str, str]] = {a: a.replace("_", " ") for a in ACTIONS}
ACTION_MEANING: Final[dict[str, str]] = {
    "change": "install the recommended meter",
    "keep": "leave the meter as it is",
    "log_first": "log the site for two weeks at a fine interval before deciding",
    "refer": "a person decides: fire or critical service, a meter that has stopped, or no meter"
    " that may be installed",
}
SEVERITY_SIGN: Final[dict[str, str]] = {"info": "i", "warning": "!", "serious": "!!"}
REFUSAL_WORD: Final[dict[str, str]] = {
    "fire_or_combined": "fire or combined service",
    "fire_lines_only": "made for fire lines only",
    "size_not_made": "this type is not made in this size",
    "minimum_size": "smaller than local rule allows",
    "service_line": "too far from the service line's size",
    "standard_not_allowed": "standard not allowed here",
    "type_not_allowed": "the utility does not install this type",
    "not_lead_free": "not marked lead-free",
    "not_in_stock": "not in stock",
    "no_fixed_charge": "the tariff has no charge for this size",
    "peak_over_smoc": "the peak may exceed its safe maximum",
    "sustained_over_continuous": "sustained flow may exceed its continuous rating",
    "head_loss": "loses more head than the site can spare",
    "season_not_seen": "the season's peak has not been seen",
    "larger_without_need": "larger than installed, without need",
    "odds_of_benefit": "odds of a benefit are too low",
    "less_benefit": "brings less",
}
CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "Planning aid, not a design.",
        "Local code, the utility's standards, the meter's own certificate and licensed practice"
        " decide.",
    ),
    (
        "Vaults and pits",
        "can be permit-required confined spaces (29 CFR 1910.146): test the air, ventilate,"
        " attend, plan the rescue before anyone enters.",
    ),
    ("Street and yard:", "traffic control as local rules say; lift lids and meters safely."),
    (
        "Service:",
        "shut and lock out before opening the line; lead-free parts, backflow and thrust"
        " restraint as local rules say.",
    ),
    (
        "Fire and combined lines",
        "are changed only with listed equipment and the agreement of the authority having"
        " jurisdiction; never sized from consumption alone.",
    ),
    (
        "Customers who cannot be without water",
        "(hospital, dialysis, cooling) need notice and a bypass.",
    ),
)


def refusal(codes: str | None) -> str:
    """Codes of `rejected_because` in words."""
    if not codes:
        return ""
    return "; ".join(
        REFUSAL_WORD.get(code.strip(), code.strip().replace("_", " "))
        for code in codes.split(",")
    )
