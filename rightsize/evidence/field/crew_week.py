"""The list of a crew for a week: where to go, at which meter, with what, and what to fetch."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rightsize.campaign.visit import Visit
from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.field.words import LOGS, SHORT
from rightsize.evidence.field.work_order import WorkOrder, flags
from rightsize.evidence.page import environment
from rightsize.evidence.quantity import Units
from rightsize.evidence.table_labels import with_labels

_WEEK: Final = dt.timedelta(days=7)


@dataclass(frozen=True)
class CrewWeek:
    """What one crew does in one week, by area; loggers of earlier weeks are fetched in it."""

    week_start_on: dt.date
    crew: int
    orders: tuple[WorkOrder, ...]
    fetched: tuple[WorkOrder, ...]

    @property
    def logger_count(self) -> int:
        """Loggers to take along."""
        return sum(order.visit.logger_count for order in self.orders)


def fetch_on(visit: Visit) -> dt.date:
    """First day on which a logger may be fetched: set on Monday at the earliest."""
    return visit.week_start_on + dt.timedelta(days=visit.duration_days)


def crew_weeks(orders: Sequence[WorkOrder]) -> list[CrewWeek]:
    """Every week of every crew in which something is set or fetched, in order."""

    def key(visit: Visit) -> tuple[dt.date, int]:
        return visit.week_start_on, visit.crew

    set_in: dict[tuple[dt.date, int], list[WorkOrder]] = {}
    fetched_in: dict[tuple[dt.date, int], list[WorkOrder]] = {}
    for order in orders:
        set_in.setdefault(key(order.visit), []).append(order)
        if order.visit.kind in LOGS:
            day = fetch_on(order.visit)
            monday = day - dt.timedelta(days=day.weekday())
            if monday >= order.visit.week_start_on + _WEEK:
                fetched_in.setdefault((monday, order.visit.crew), []).append(order)
    return [
        CrewWeek(
            week_start_on=week,
            crew=crew,
            orders=tuple(sorted(set_in.get((week, crew), ()), key=_by_area)),
            fetched=tuple(sorted(fetched_in.get((week, crew), ()), key=_by_area)),
        )
        for week, crew in sorted({*set_in, *fetched_in})
    ]


def _by_area(order: WorkOrder) -> tuple[str, str, str]:
    return order.visit.area, order.visit.account_id, order.visit.kind


def crew_week_page(held: CrewWeek, pages: Mapping[Visit, str]) -> str:
    """The list, for print.

    Parameters
    ----------
    pages
        File name of each visit's work order, beside the list.
    """
    first = (held.orders or held.fetched)[0].site
    units = Units(first.units)
    visits = [_row(order, units, pages) for order in held.orders]
    fetched = [_row(order, units, pages) for order in held.fetched]
    cost = sum(order.visit.cost_usd for order in held.orders)
    gain = sum(order.visit.expected_gain_usd for order in held.orders)
    return with_labels(
        environment()
        .get_template("crew_week.html")
        .render(
            held=held,
            visits=visits,
            fetched=fetched,
            cost=units.usd(cost),
            gain=units.usd(gain),
            cautions=CAUTIONS,
            provenance=first.provenance,
        )
    )


def _row(order: WorkOrder, units: Units, pages: Mapping[Visit, str]) -> dict[str, Any]:
    visit, site = order.visit, order.site
    return {
        "account": site.account_id,
        "meter_id": site.meter_id,
        "where": " · ".join(
            str(said)
            for said in (
                site.recommendation.get("customer_name"), site.listed.get("service_address")
            )
            if said
        ),
        "meter": units.meter_of(site.recommendation, "installed"),
        "what": SHORT[visit.kind],
        "days": f"{visit.duration_days:g}" if visit.kind in LOGS else "",
        "fetch": str(fetch_on(visit)) if visit.kind in LOGS else "",
        "loggers": str(visit.logger_count or ""),
        "area": visit.area or "no area",
        "flags": "; ".join(flags(site)),
        "page": pages.get(visit, ""),
    }  # fmt: skip
