"""The colours of pages and charts, each with its dark twin.

Charts are drawn in the light colours. On a page each becomes a CSS variable that falls back to
the colour itself, so that one picture serves light, dark and print. Installed and recommended
differ in hue (orange and blue, told apart by all common kinds of colour blindness), in
lightness and in dash.
"""

from __future__ import annotations

from typing import Final

INK: Final = "#1b2a2f"
FAINT: Final = "#5a6b70"
LINE: Final = "#d5dad6"
WATER: Final = "#9cbfc4"
RANGE: Final = "#4d7178"
INSTALLED: Final = "#b3471d"
RECOMMENDED: Final = "#12607f"
NIGHT: Final = "#4b3b7c"
MISSED: Final = "#e3a857"
CARD: Final = "#ffffff"

ROLES: Final[dict[str, str]] = {
    INK: "ink",
    FAINT: "faint",
    LINE: "line",
    WATER: "water",
    RANGE: "range",
    INSTALLED: "installed",
    RECOMMENDED: "recommended",
    NIGHT: "night",
    MISSED: "missed",
    CARD: "card",
}

HEAT_LOW: Final = (236, 232, 218)
HEAT_MIDDLE: Final = (92, 155, 163)
HEAT_HIGH: Final = (14, 40, 66)


def themed(svg: str) -> str:
    """An SVG whose colours follow the page's theme."""
    for colour, role in ROLES.items():
        svg = svg.replace(f'"{colour}"', f'"var(--{role},{colour})"')
    return svg


def in_print_colours(page: str) -> str:
    """The page with plain colours in its pictures, for a writer that knows no variables."""
    for colour, role in ROLES.items():
        page = page.replace(f'"var(--{role},{colour})"', f'"{colour}"')
    return page
