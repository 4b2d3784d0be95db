"""What a crew must heed before a meter is touched: on pages, in the program, for a log.

The cautions name rules, they do not quote them, and every one of them defers to local code.

References
----------
29 CFR 1910.146 (permit-required confined spaces), 1910.147 (control of hazardous energy),
1926.651 and 1926.652 (excavations, protective systems), 1926.1101 (asbestos). NFPA 70, 250.53
(continuity around water meters). 40 CFR 141.84 and 141.85 (service lines that are disturbed).
Safe Drinking Water Act, section 1417; NSF/ANSI/CAN 61 and 372. IPC 607.3 (thermal expansion).
All from memory, high trust, but 40 CFR 141.84 and 141.85: medium, they changed in 2021 and
2024. What names no rule is common practice.
"""

from __future__ import annotations

from typing import Final

CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    (
        "Planning aid, not a design.",
        "Local code, the utility's standards, the meter's own certificate and licensed practice"
        " govern.",
    ),
    (
        "Vaults and pits",
        "can be permit-required confined spaces (29 CFR 1910.146): test the air, ventilate,"
        " post an attendant and plan the rescue before anyone enters.",
    ),
    ("Street and yard:", "control traffic under local rules; lift lids and meters safely."),
    (
        "Before digging:",
        "call 811 or the local one-call center and wait for the marks; slope, shore or shield"
        " a trench from 5 ft of depth, and a shallower one that may cave in (29 CFR 1926.652).",
    ),
    (
        "Bonding jumper:",
        "fit one across the meter before the meter is lifted and leave it until the pipe is"
        " whole again: metal pipe may ground the building (NFPA 70, 250.53).",
    ),
    (
        "Service:",
        "shut off and lock out before opening the line; backflow prevention and thrust"
        " restraint under local rules.",
    ),
    (
        "Pressure:",
        "relieve it before a nut or flange is loosened; refill slowly, with air let out, so"
        " that no surge breaks the meter or the customer's pipes.",
    ),
    (
        "Where no valve holds,",
        "stop: the meter stays until the valve is repaired or the main is shut as the utility"
        " allows. Old valves and curb stops break; know the next one upstream.",
    ),
    (
        "Lead, galvanized or unknown service line:",
        "lifting a meter disturbs it. Notify the customer first, flush afterward and hand out"
        " flushing instructions, and a filter where the rule asks for one"
        " (40 CFR 141.84 and 141.85).",
    ),
    (
        "Wetted parts",
        "are certified to NSF/ANSI/CAN 61, and to NSF/ANSI/CAN 372 as lead-free (Safe Drinking"
        " Water Act, section 1417).",
    ),
    (
        "Flush and disinfect",
        "the new meter, pipe and fittings before the customer drinks; sample where the utility"
        " asks for it.",
    ),
    (
        "New check valve or backflow preventer:",
        "it closes the service. Water that a heater expands then has nowhere to go: an"
        " expansion tank or relief is needed (IPC 607.3 or local code).",
    ),
    (
        "Old gaskets and packing",
        "may hold asbestos: wet them, do not scrape, grind or brush them dry, bag them"
        " (29 CFR 1926.1101).",
    ),
    (
        "Fire and combined lines",
        "are changed only with listed equipment and the approval of the authority having"
        " jurisdiction; never sized from consumption alone.",
    ),
    (
        "Customers who cannot be without water",
        "(hospital, dialysis, cooling) need notice and a bypass.",
    ),
)
"""Lead and text of each caution, in the order of the work."""
