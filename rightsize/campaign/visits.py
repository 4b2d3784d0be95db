"""The visits of a campaign, in the order in which crews make them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Final

from rightsize.campaign.choose_campaign import Campaign
from rightsize.campaign.crews import crews_of
from rightsize.campaign.visit import Visit

KIND_WORDS: Final = {
    "night_logging": "two nights of flow",
    "flow_logging": "two weeks of flow",
    "accuracy_test": "an accuracy test",
    "finer_interval": "finer reads",
    "peak_register": "the register's peak flow",
}
_DECIDES_WORDS: Final = {
    "keep": "that the installed meter stays",
    "smaller_meter": "a smaller meter",
    "larger_meter": "a larger meter",
    "other_type": "another type",
}


def reason_of(kind: str, odds_of_other: float, decides: str) -> str:
    """Why a site is on the list, in one sentence."""
    odds = min(max(odds_of_other, 0.01), 0.99)
    return (
        f"{KIND_WORDS[kind]}: probability {odds:.2f} of another decision, most often"
        f" {_DECIDES_WORDS[decides]}"
    )


def visits_of(
    campaign: Campaign,
    start_on: date,
    reasons: Mapping[tuple[str, str, str], str],
) -> Sequence[Visit]:
    """Visits by week, crew and area, the most valuable first within them.

    Parameters
    ----------
    start_on : date
        Monday of the first week.
    reasons : mapping
        Sentence of each account, meter and kind.
    """
    held, plan = campaign.options, campaign.plan
    crew = crews_of(held, campaign.limits, plan.option, plan.week)
    made = []
    for option, week, by in zip(plan.option, plan.week, crew, strict=True):
        account, meter = str(held.account_id[option]), str(held.meter_id[option])
        kind = str(held.kind[option])
        made.append(
            Visit(
                account_id=account,
                meter_id=meter,
                kind=kind,
                week_start_on=start_on + timedelta(weeks=int(week)),
                area=str(held.area[option]),
                crew=int(by),
                logger_count=int(held.is_log[option]),
                duration_days=float(held.logger_days[option]),
                expected_gain_usd=float(held.gain_usd[option]),
                cost_usd=float(held.cost_usd[option]),
                net_usd=float(held.net_usd[option]),
                reason=reasons.get((account, meter, kind), ""),
            )
        )
    return sorted(made, key=lambda v: (v.week_start_on, v.crew, v.area, -v.net_usd))
