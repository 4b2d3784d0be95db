"""The first line of a site page: what to do, and what stands in its way."""

from __future__ import annotations

from typing import Final

from rightsize.evidence.quantity import Units
from rightsize.evidence.site import SiteEvidence
from rightsize.evidence.words import VERDICT_WORD
from rightsize.wording import with_article

ODDS_OF_FIT: Final = 0.9  # [1] where a page has no thresholds: the default of the setting


def headline(site: SiteEvidence) -> str:
    """What to do first; what stands in the way of a change comes before the change."""
    now = Units(site.units).meter_of(site.recommendation, "installed")
    if site.is_fire:
        name = f"{now} meter" if now.endswith("fire service") else now
        return f"Leave the {name} in place: a fire or combined line is never resized from use."
    if site.is_stopped:
        return _stopped(site, now)
    if site.is_fire_unverified and site.is_assessed:
        what = _is_what(site.recommendation["verdict"])
        return (
            f"Verify the fire service before any change of the {now}: its line may carry fire "
            f"flow and no fire arrangement is recorded; the meter is {what}."
        )
    if site.has_wrong_multiplier:
        return (
            f"Check the multiplier and unit of the {now} first: its volumes look wrong by a"
            " factor, and so would every figure below be."
        )
    slow = (
        f"Test the {now} first: its registration falls steadily against its class. "
        if site.is_slow
        else ""
    )
    return slow + _by_verdict(site, now)


def _stopped(site: SiteEvidence, now: str) -> str:
    """A stopped meter is for engineering review, whatever it was before."""
    before = (
        f"before it stopped, it {_was_what(site.recommendation['verdict'])}"
        if site.is_assessed
        else "engineering review"
    )
    return f"First find out why the {now} registers nothing; {before}."


def _by_verdict(site: SiteEvidence, now: str) -> str:
    row = site.recommendation
    new = with_article(Units(site.units).meter_of(row, "recommended"))
    kind = str(row.get("installed_type") or "meter").replace("_", " ")
    verdict, action = row["verdict"], row["action"]
    if verdict == "not_assessed":
        return f"No verdict on the {now}: {_lower(row['reason'])}"
    if verdict == "undersized":
        return _undersized(site, now, new)
    if action == "change":
        return f"Replace the {now} with {new}: the {kind} is {_is_what(verdict)}."
    if action == "log_first":
        aim = f"; {new} is the likely choice" if site.is_change else ""
        return f"Log this site before deciding on the {now}{aim}."
    if action == "refer":
        aim = f"; {new} would suit this customer's demand" if site.is_change else ""
        return f"Engineering review of the {now}: it is {_is_what(verdict)}{aim}."
    return _kept(site, now)


def _kept(site: SiteEvidence, now: str) -> str:
    """What is known in favor of the meter that stays, and no more."""
    row = site.recommendation
    if may_be_overrun(site):
        why = "it is not shown to be too small"
    elif (row.get("runner_up_net_benefit_usd_per_year") or 0.0) > 0:
        why = "no other meter is shown to be worth a change"
    else:
        why = "it suits this customer's demand"
    if site.is_slow:
        return f"If it passes, keep it: {why}."
    return f"Keep the {now}: {why}."


def _undersized(site: SiteEvidence, now: str, new: str) -> str:
    """The flow that overruns the meter, and what to do."""
    row, flow = site.recommendation, Units(site.units).flow
    peak, smoc = row.get("peak_10s_gpm"), row.get("installed_smoc_gpm")
    hour, most = row.get("sustained_60min_gpm"), row.get("installed_continuous_gpm")
    by_peak = f"peak flow {flow(peak)}, safe maximum operating capacity {flow(smoc)}"
    by_hour = f"sustained flow {flow(hour)}, maximum continuous flow {flow(most)}"
    is_lasting = _part(hour, most) > _part(peak, smoc)
    flows = by_hour if is_lasting else by_peak
    if {"above_smoc", "above_continuous"} <= {f["code"] for f in site.findings}:
        flows = f"{by_peak}; {by_hour}"
    if row["action"] == "log_first":
        return (
            f"The {now} seems undersized ({flows}), but nothing on record confirms it: log the"
            f" site before it is replaced with {new}."
        )
    if row["action"] == "change":
        cure = f"replace it with {new}"
    elif site.is_change:
        cure = f"engineering review, {new} would suit this customer's demand"
    else:
        cure = "engineering review, no meter in the catalog may be installed here"
    return f"The {now} is undersized ({flows}): {cure}."


def _part(flow_gpm: float | None, rating_gpm: float | None) -> float:
    """Flow over its rating; 0 where one is not known."""
    return flow_gpm / rating_gpm if flow_gpm and rating_gpm else 0.0


def _is_what(verdict: str) -> str:
    return {
        "wrong_type": "the wrong type for this demand",
        "fits": "not shown to be the wrong size",
    }.get(verdict, VERDICT_WORD[verdict])


def _was_what(verdict: str) -> str:
    return {
        "fits": "was not shown to be the wrong size",
        "wrong_type": "was the wrong type",
    }.get(verdict, f"was {VERDICT_WORD[verdict]}")


def _lower(text: str) -> str:
    text = text.strip()
    if text[:2].isupper():
        return text
    return text[:1].lower() + text[1:] + ("" if text.endswith(".") else ".")


def verdict_shown(site: SiteEvidence) -> str:
    """The verdict as the page's second line begins: it never says that an open case fits."""
    row = site.recommendation
    if row["verdict"] != "fits":
        return VERDICT_WORD[row["verdict"]]
    if row["action"] == "log_first" or site.is_stopped:
        return "not decided"
    return "may be overrun" if may_be_overrun(site) else VERDICT_WORD["fits"]


def may_be_overrun(site: SiteEvidence) -> bool:
    """The installed meter would not pass for a new one: its overload is too likely."""
    asked = float(site.thresholds.get("odds_of_fit") or ODDS_OF_FIT)
    return float(site.recommendation.get("odds_of_undersized") or 0.0) + asked > 1
