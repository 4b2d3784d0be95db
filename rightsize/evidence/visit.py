"""The checklist for the visit: what to confirm, with what the records say (common practice)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rightsize.evidence.quantity import Units, significant
from rightsize.evidence.site import SiteEvidence


@dataclass(frozen=True)
class Check:
    """One thing to confirm; `expected` is what the records say, empty where they are silent."""

    what: str
    expected: str = ""


FILL_IN: Final = (
    "register reading", "date and time", "serial found", "type and size found",
    "resolution", "multiplier", "straight run upstream / downstream", "visited by",
    "reviewed by",
)  # fmt: skip
"""What is written down at the meter: lines to fill in, on paper."""


def checklist(site: SiteEvidence) -> tuple[Check, ...]:
    """The visit, in the order of the work."""
    row, units, listed = site.recommendation, Units(site.units), site.listed
    spare = row.get("spare_head_psi") or listed.get("spare_head_psi")
    line_in = listed.get("service_line_in")
    since = listed.get("installed_on")
    return (
        Check("confined space, traffic control and lockout plan agreed before lifting the lid"),
        Check("meter type and size", units.meter_of(row, "installed")),
        Check("serial number", site.meter_id + (f", in since {since}" if since else "")),
        *_log(site),
        *before_opening(site),
        Check("register reading, date and time"),
        Check("register resolution and multiplier", register_as_recorded(site, units)),
        Check("flow direction matches the arrow, meter level, line full of water"),
        Check("strainer; straight run upstream and downstream", _pipe(line_in, units)),
        *facts_to_record(site),
        Check("bypass: closed, sealed, not leaking"),
        Check("valves: turn freely, shut tight"),
        *_stopped(site),
        Check("leak check: all fixtures shut, does the register move?"),
        *_other(site, units),
        Check("available pressure drop at peak hour", _assumed(spare, units)),
        *_fire(site),
        Check(
            "fire, combined or critical service? Stop: engineering review",
            service_as_recorded(site),
        ),
        Check("photos: nameplate, register, vault, piping, lid"),
    )


def _assumed(spare_psi: float | None, units: Units) -> str:
    return f"{units.pressure(spare_psi)} assumed" if spare_psi else ""


def register_as_recorded(site: SiteEvidence, units: Units) -> str:
    """Resolution and multiplier as the records say; empty where they are silent."""
    step = (site.profile or {}).get("resolution_gal") or site.listed.get("resolution_gal")
    times = site.listed.get("multiplier")
    parts = [f"resolution {units.volume(step)}"] if step else []
    if times:
        parts.append(f"multiplier {significant(times, parted=units.parted)}")
    return ", ".join(parts)


def _pipe(line_in: float | None, units: Units) -> str:
    return f"service line {units.size(line_in)}" if line_in else ""


def _other(site: SiteEvidence, units: Units) -> tuple[Check, ...]:
    if not site.is_change or site.recommended is None or site.is_fire:
        return ()
    meter = site.recommended
    name = units.meter(meter.meter_type, meter.size_in, meter.grade)
    return (Check("space and laying length for the recommended meter", name),)


_FACTS: Final[dict[str, str]] = {
    "service_line_in": "size of the service line",
    "lay_length_in": "laying length, face to face",
    "end_connection": "ends, threaded or flanged",
    "straight_run_in": "straight pipe before the meter",
    "has_strainer": "strainer, yes or no",
    "has_power": "power from the mains, yes or no",
    "in_street": "in the street, yes or no",
    "backflow": "backflow assembly",
}
"""Facts of the site that size and cost depend on, by their columns of meters.csv."""


def facts_to_record(site: SiteEvidence) -> tuple[Check, ...]:
    """What is not recorded and may cost, for the record after the visit."""
    if site.is_fire:
        return ()
    blank = [f"{what} ({n})" for n, what in _FACTS.items() if site.listed.get(n) in (None, "")]
    return (Check(f"for the record: {'; '.join(blank)}", "not recorded"),) if blank else ()


def _log(site: SiteEvidence) -> tuple[Check, ...]:
    """A log opens no pipe where the register has an output; the pit is the same."""
    if site.recommendation["action"] != "log_first":
        return ()
    return (
        Check(
            "logger: register output found, or a strap-on one; the meter is not lifted for a"
            " log, and every caution below holds for the visit"
        ),
    )


def before_opening(site: SiteEvidence) -> tuple[Check, ...]:
    """What must be known before the pipe is opened."""
    if site.is_fire:
        return ()
    return (
        Check(
            "service line material at the meter; lead, galvanized or unknown: notify the"
            " customer before the meter is lifted"
        ),
        Check("bonding jumper across the meter before it is lifted"),
    )


def _stopped(site: SiteEvidence) -> tuple[Check, ...]:
    """A register that does not move has four causes, and only one of them is the meter."""
    if not site.is_stopped:
        return ()
    return (
        Check("why no registration: account closed, valve shut, bypass open, meter stopped?"),
    )


def _fire(site: SiteEvidence) -> tuple[Check, ...]:
    if not site.is_fire_unverified:
        return ()
    return (
        Check("fire service: separate line, combined line or none? Trace it", "not recorded"),
    )


def service_as_recorded(site: SiteEvidence) -> str:
    """Kind of service and class of the customer."""
    kind = site.recommendation.get("service_kind") or "unknown"
    kind = "not recorded" if kind == "unknown" else f"recorded: {kind}"
    return f"{kind}, {site.recommendation['customer_class'].replace('_', ' ')}"
