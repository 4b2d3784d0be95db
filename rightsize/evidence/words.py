"""What pages say: verdicts, actions and reasons for refusal."""

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
    "fits": "no other meter handles the demand and pays for itself",
    "oversized": "a smaller meter of the same type handles the peak and pays for itself",
    "undersized": "peak flow exceeds the safe maximum operating capacity (SMOC), or sustained"
    " flow the maximum continuous flow, at the set probability",
    "wrong_type": "the best meter that handles the peak and pays for itself is of another type",
    "not_assessed": "the reads or the service allow no verdict; the reason is given",
}
ACTION_WORD: Final[dict[str, str]] = {
    a: "engineering review" if a == "refer" else a.replace("_", " ") for a in ACTIONS
}
ACTION_MEANING: Final[dict[str, str]] = {
    "change": "install the recommended meter",
    "keep": "leave the meter as it is",
    "log_first": "log flow at the site for two weeks at a short interval before deciding",
    "refer": "an engineer decides: fire or critical service, a fire arrangement not recorded, a"
    " stopped meter, or no meter that may be installed",
}
SEVERITY_SIGN: Final[dict[str, str]] = {"info": "i", "warning": "!", "serious": "!!"}
REFUSAL_WORD: Final[dict[str, str]] = {
    "fire_or_combined": "fire or combined service",
    "fire_lines_only": "for fire lines only",
    "size_not_made": "type not made in this size",
    "minimum_size": "smaller than the local minimum",
    "service_line": "too far from the service line size",
    "standard_not_allowed": "standard not allowed here",
    "type_not_allowed": "type not used by the utility",
    "not_lead_free": "not marked lead-free",
    "not_in_stock": "not in stock",
    "no_fixed_charge": "the tariff has no base charge for this size",
    "peak_over_smoc": "peak flow may exceed its SMOC",
    "peak_over_design_share": "peak flow takes too large a share of its SMOC",
    "sustained_over_continuous": "sustained flow may exceed its maximum continuous flow",
    "head_loss": "head loss exceeds the available pressure drop",
    "season_not_seen": "no reads yet from the peak season",
    "larger_without_need": "larger than installed, not needed",
    "replacement_by_age": "same type and size: replaced by age, not here",
    "benefit_too_small": "net benefit too small for a visit",
    "gain_too_small": "accuracy gain too small for a visit",
    "payback_too_long": "payback too long",
    "odds_of_benefit": "probability of positive net benefit too low",
    "less_benefit": "lower net benefit",
}


def refusal(codes: str | None) -> str:
    """Codes of `rejected_because` in words."""
    if not codes:
        return ""
    return "; ".join(
        REFUSAL_WORD.get(code.strip(), code.strip().replace("_", " "))
        for code in codes.split(",")
    )
