"""A work order: one page for one visit of a campaign."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from rightsize.campaign.visit import Visit
from rightsize.evidence import words
from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.field.logger import (
    CONTACT_HZ,
    SAMPLE_S,
    LoggerSetting,
    doubtful_below_gpm,
    logger_setting,
)
from rightsize.evidence.field.results_form import log_head
from rightsize.evidence.field.words import LOGS, SHORT, TITLE
from rightsize.evidence.page import environment
from rightsize.evidence.quantity import Units
from rightsize.evidence.site import SiteEvidence
from rightsize.evidence.table_labels import with_labels
from rightsize.evidence.visit import (
    Check,
    before_opening,
    facts_to_record,
    register_as_recorded,
    service_as_recorded,
)
from rightsize.meter_tests.limits import RULED_TYPES, flows_to_test
from rightsize.meters.service_tests import ServiceRule

_PLACED: Final = "logger in place, "
ROOM_ABOVE_PEAK: Final = 1.5
"""What pulses must still be told apart at, against the high end of the peak's range (our
convention)."""
_FILL: Final = {
    "night_logging": (
        "instrument serial", "pipe, wall, lining", "zero with valve shut", "signal",
        "register at start", "date and time", "register at end", "date and time",
        "clock error at start, s", "clock error at end, s", "file name", "set and fetched by",
    ),
    "flow_logging": (
        "logger serial", "pulse constant on the register", "pulse constant, counted",
        "clock error at start, s", "register at start", "date and time",
        "register at end", "date and time", "clock error at end, s", "file name",
        "set by", "fetched by",
    ),
    "accuracy_test": (
        "reference meter", "calibrated on", "register at start", "register at end",
        "serial found", "as found or after repair", "tested by",
    ),
    "endpoint": (
        "endpoint serial", "interval before", "interval now", "register reading",
        "date and time", "first file that shows it", "set by",
    ),
}  # fmt: skip
"""What is written down, by what is done: lines to fill in, on paper."""


@dataclass(frozen=True)
class WorkOrder:
    """A visit, the site that it goes to, and the rule of a meter test."""

    visit: Visit
    site: SiteEvidence
    rule: ServiceRule


def work_order_page(order: WorkOrder) -> str:
    """The page, for print on one sheet of letter paper.

    Returns
    -------
    str
        HTML that opens nothing else: no script, no address.
    """
    visit, site, units = order.visit, order.site, Units(order.site.units)
    row = site.recommendation
    days = f", {visit.duration_days:g} days" if visit.kind in LOGS else ""
    return with_labels(
        environment()
        .get_template("work_order.html")
        .render(
            visit=visit,
            row=row,
            site=site,
            units=units,
            title=f"{TITLE[visit.kind]}{days}: {units.meter_of(row, 'installed')}",
            short=SHORT[visit.kind],
            address=site.listed.get("service_address"),
            facts=facts(order),
            settings=settings(order),
            checks=checks(order),
            flows=_flows(order),
            fill=_FILL.get(visit.kind, _FILL["endpoint"]),
            head=log_head(visit) if visit.kind in LOGS else "",
            verdict=words.VERDICT_WORD[row["verdict"]],
            action=words.ACTION_WORD[row["action"]],
            cautions=CAUTIONS,
            provenance=site.provenance,
        )
    )


def facts(order: WorkOrder) -> list[tuple[str, str]]:
    """What is known of meter and flow, for the crew."""
    site, units = order.site, Units(order.site.units)
    row, listed, profile = site.recommendation, site.listed, site.profile or {}
    peak = units.flow_range(row.get("peak_10s_low_gpm"), row.get("peak_10s_high_gpm"))
    line = listed.get("service_line_in")
    found = [
        ("meter", f"{site.meter_id}, {units.meter_of(row, 'installed')}"),
        ("in service since", str(listed.get("installed_on") or "not recorded")),
        ("register", register_as_recorded(site, units) or "not recorded"),
        ("service line", units.size(line) if line else "not recorded"),
        ("service", service_as_recorded(site)),
        ("10 s peak expected", peak if row.get("peak_10s_gpm") else "not known"),
        ("minimum night flow read", units.flow(profile.get("minimum_night_flow_gpm"))),
    ]
    if site.installed is not None:
        meter = site.installed
        found.append(
            ("starts to register / SMOC",
             f"{units.flow(meter.starting_gpm)} / {units.flow(meter.smoc_gpm)}")
        )  # fmt: skip
    return found


def setting_of(order: WorkOrder) -> LoggerSetting | None:
    """Pulses for a log of the meter's register; None where its ratings are not known."""
    meter, row = order.site.installed, order.site.recommendation
    if meter is None:
        return None
    peak = row.get("peak_10s_gpm") or meter.continuous_gpm
    top = row.get("peak_10s_high_gpm")
    highest = ROOM_ABOVE_PEAK * top if top else meter.smoc_gpm
    return logger_setting(decides_gpm=peak, highest_gpm=highest)


def settings(order: WorkOrder) -> list[str]:
    """How logger, test or endpoint is set, one sentence a line."""
    kind, units = order.visit.kind, Units(order.site.units)
    if kind == "accuracy_test":
        return [
            "Test as found, before anything is cleaned or adjusted: at the flows below, each"
            " three times where a result is near a limit.",
            "Result: registered over reference volume in percent; into the file that"
            " accuracy_tests names, one row a flow.",
        ]
    if kind == "finer_interval":
        return [
            "Set the shortest interval that battery and network allow, and keep the register's"
            " finest resolution; note when the first file shows it."
        ]
    if kind == "peak_register":
        return [
            "Switch on the register's peak flow, with its shortest averaging time, and have it"
            " exported with every read (column peak)."
        ]
    if kind == "night_logging":
        return _clamp_on(order, units)
    found = setting_of(order)
    room = (
        "The meter's ratings are not known: take the finest pulse that the register has."
        if found is None
        else _pulses(found, units)
    )
    return [
        f"Samples of {SAMPLE_S[kind]:g} s, or the time of every pulse; logger's clock on local"
        " time, daylight saving off or noted.",
        room,
        "Confirm the constant: count pulses over at least one turn of the test hand, or 100 of"
        " them, and compare with the register. Off by ten, the log is worthless.",
    ]


def _pulses(found: LoggerSetting, units: Units) -> str:
    """Which pulse constants serve."""
    least, most = units.volume(found.smallest_pulse_gal), units.volume(found.largest_pulse_gal)
    peak = f"the 10 s peak ({units.flow(found.decides_gpm)})"
    if found.has_room:
        return (
            f"Pulse constant that serves: {least} to {most} a pulse. It shows {peak} within"
            f" 5 %, with at most {CONTACT_HZ:g} pulses a second."
        )
    return (
        f"A pulse of at most {most} shows {peak} within 5 %; at the highest flow that is more"
        f" than {CONTACT_HZ:g} pulses a second: use a pickup and logger made for it."
    )


def _clamp_on(order: WorkOrder, units: Units) -> list[str]:
    """A clamp-on meter sees little at low velocity in a wide pipe."""
    line = order.site.listed.get("service_line_in")
    size = line or order.site.recommendation.get("installed_size_in")
    said = [
        f"Flow every {SAMPLE_S['night_logging']:g} s over whole nights; clock on local time,"
        " daylight saving off or noted.",
        "Check the zero with the valve shut, if the customer agrees to a minute without water;"
        " write down what it shows.",
    ]
    if size:
        low = units.flow(doubtful_below_gpm(size))
        said.append(
            f"Below {low} the velocity in a {units.size(size)} pipe is under 0.1 ft/s, where"
            " such meters are doubtful."
        )
    return said


def checks(order: WorkOrder) -> tuple[Check, ...]:
    """What to confirm, in the order of the work."""
    site, units, kind = order.site, Units(order.site.units), order.visit.kind
    return (
        Check("confined space, traffic control and lockout plan agreed before lifting the lid"),
        Check(
            "serial, type and size of the meter",
            f"{site.meter_id}, {units.meter_of(site.recommendation, 'installed')}",
        ),
        Check("register reading, date and time, at start and end"),
        Check(
            "register resolution and multiplier", register_as_recorded(site, units)
        ),
        *_of_kind(kind, site),
        *facts_to_record(site),
        Check("bypass: closed, sealed, not leaking"),
        Check(
            "fire, combined or critical service? Nothing is shut: engineering review",
            service_as_recorded(site),
        ),
        Check(f"photos: nameplate, register, {_PLACED if kind in LOGS else ''}vault, lid"),
    )  # fmt: skip


def _of_kind(kind: str, site: SiteEvidence) -> tuple[Check, ...]:
    if kind == "night_logging":
        return (
            Check("pipe: material, wall and lining, straight run, full of water"),
            Check("sensor spacing and signal strength, as the instrument shows them"),
            Check("who is on site at night, what runs: ice, cooling, irrigation, cleaning"),
        )
    if kind == "flow_logging":
        return (
            Check("register output found, or a strap-on pickup; the meter is not lifted"),
            Check("pulses counted against the register before you leave"),
            Check("battery and memory last for the whole log"),
        )
    if kind == "accuracy_test":
        return (
            Check("test tee or outlet, hose and a place for the water; strainer clean"),
            Check("valves turn freely and shut tight; bypass or notice for the customer"),
            *before_opening(site),
        )
    return (
        Check("endpoint answers after the setting"),
        Check("head-end exports the new interval or column"),
    )


def _flows(order: WorkOrder) -> Sequence[dict[str, Any]]:
    """Test flows of the meter, with the volume to pass where a rule names one."""
    meter = order.site.installed
    if order.visit.kind != "accuracy_test" or meter is None:
        return ()
    units = Units(order.site.units)
    is_ruled = meter.meter_type in RULED_TYPES
    drafts = order.rule.drafts_gal.get(meter.size_in, ()) if is_ruled else ()
    return [
        {
            "point": point,
            "flow": units.flow(flow),
            "draft": units.volume(drafts[k]) if k < len(drafts) else "",
        }
        for k, (point, flow) in enumerate(flows_to_test(meter, order.rule))
    ]


def flags(site: SiteEvidence) -> list[str]:
    """What a crew must know before it drives there, in few words."""
    listed, row = site.listed, site.recommendation
    found = [
        ("fire or combined service", site.is_fire),
        ("fire arrangement not recorded", site.is_fire_unverified and not site.is_fire),
        ("critical customer", bool(listed.get("is_critical") or row.get("is_critical"))),
        ("in the street: traffic control", listed.get("in_street") == "yes"),
        ("registers nothing", site.is_stopped),
    ]
    return [said for said, holds in found if holds]


def expected_gain(visit: Visit, units: Units) -> str:
    """What the visit is worth, in words."""
    return (
        f"{units.usd(visit.expected_gain_usd)} for {units.usd(visit.cost_usd)}"
        f" (net {units.usd(visit.net_usd)})"
    )
