"""How the installed and the recommended meter are distinguished in every picture."""

from __future__ import annotations

from typing import Any, Final

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.palette import INSTALLED, RECOMMENDED
from rightsize.evidence.site import SiteEvidence
from rightsize.meters.catalogue import Meter

WHO: Final = ("installed", "recommended")
SHORT_WHO: Final = {"installed": "now", "recommended": "new"}


def who_color() -> Any:
    """The color of each meter."""
    return alt.Scale(domain=list(WHO), range=[INSTALLED, RECOMMENDED])


def who_dash() -> Any:
    """Its line: distinguishable without color."""
    return alt.Scale(domain=list(WHO), range=[[5, 3], [1, 0]])


def meters_shown(site: SiteEvidence) -> list[tuple[str, Meter]]:
    """The installed meter, and the recommended one where it is another."""
    shown = [("installed", site.installed), ("recommended", site.recommended)]
    return [(who, m) for who, m in shown if m and (who == "installed" or site.is_change)]
