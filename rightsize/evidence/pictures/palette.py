"""The colors of pages and charts, each with its dark-mode counterpart.

Charts are drawn in the light colors. On a page each becomes a CSS variable that falls back to
the color itself, so that one picture serves light, dark and print. Installed and recommended
differ in hue (orange and blue, distinguishable with all common types of color blindness), in
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
    """An SVG whose colors follow the page's theme."""
    for color, role in ROLES.items():
        svg = svg.replace(f'"{color}"', f'"var(--{role},{color})"')
    return svg


def in_print_colors(page: str) -> str:
    """The page with plain colors in its pictures, for a writer that knows no variables."""
    for color, role in ROLES.items():
        page = page.replace(f'"var(--{role},{color})"', f'"{color}"')
    return page
