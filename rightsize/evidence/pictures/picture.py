"""From a chart to a picture: compiled once, filled with a site's data, drawn as SVG.

Building and compiling a chart costs more than drawing it, and is the same for every site; so
charts name their data, and what they compile to is shipped in `drawings/`, written by
`python -m pipelines.handbook.drawings`; a test holds the files against the charts.
"""

from __future__ import annotations

import copy
import hashlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, MutableMapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final

import vl_convert
from markupsafe import escape

from rightsize.evidence.pictures.palette import FAINT, INK, LINE, themed

Rows = Sequence[Mapping[str, Any]]
Data = Mapping[str, Rows]

SYSTEM: Final = {"gpm": "us", "gal": "us", "m³/h": "metric", "m³": "metric"}
"""System of units that a unit belongs to, in the name of a drawing."""
PLOT_WIDTH: Final = 404
SIDE: Final = 48  # room for the labels of an axis
PLAIN: Final = "format(datum.value, '.5~r')"
SHORT: Final = f"abs(datum.value) < 1 ? {PLAIN} : format(datum.value, '~s')"
LOG: Final = (
    "indexof([1, 2, 5], round(datum.value / pow(10, floor(log(datum.value) / LN10 + 1e-9))))"
    f" >= 0 ? {PLAIN} : ''"
)
"""How labels of an axis are written: 0.25 and 2000; 2k; of a log axis 1, 2, 5, 10, ..."""

_FONT: Final = "Helvetica, Arial, sans-serif"
_TEXT_PX: Final = 12.5
_SIZE: Final = re.compile(r'<svg ([^>]*?)width="[\d.]+" height="[\d.]+" ')
_PART_BY_PART: Final = re.compile(
    r' (?:role="graphics-[^"]*"|aria-roledescription="[^"]*"|aria-label="[^"]*"'
    r'|aria-hidden="true")'
)
"""What Vega gives screen readers for each part; the picture has one label instead."""
_ANEW: Final = ContextVar("drawings are rebuilt", default=False)
_DRAWN_BY: Final = (getattr(vl_convert, "__version__", ""), vl_convert.get_vega_version())
_KEPT: Final[ContextVar[MutableMapping[str, str] | None]] = ContextVar(
    "pictures that were drawn before", default=None
)
_ID: Final = re.compile(r'(id="|url\(#)(?=[a-z])')


@dataclass(frozen=True)
class Compiled:
    """A chart ready to be filled: its datasets are named, not held."""

    vega: dict[str, Any]
    names: frozenset[str]

    def svg(self, data: Data, *, name: str, label: str) -> str:
        """The picture with these rows.

        Parameters
        ----------
        data
            Rows of each dataset that the chart names.
        name
            Lower-case word that sets the ids of this picture apart from those of others.
        label
            Label for screen readers.
        """
        if missing := self.names - set(data):
            raise ValueError(f"picture {name}: no rows given for {sorted(missing)}")
        filled = copy.copy(self.vega)
        filled["data"] = [
            {**d, "values": data[d["name"]]} if d["name"] in self.names else d
            for d in self.vega["data"]
        ]
        return _for_page(_drawn(filled), name=name, label=label)


def _drawn(vega: dict[str, Any]) -> str:
    """The picture as the library draws it, or as it was drawn before of the same."""
    kept = _KEPT.get()
    if kept is None:
        return str(vl_convert.vega_to_svg(vega))
    told = json.dumps([_DRAWN_BY, vega], sort_keys=True)
    key = hashlib.blake2b(told.encode(), digest_size=16).hexdigest()
    if key not in kept:
        kept[key] = str(vl_convert.vega_to_svg(vega))
    return kept[key]


@contextmanager
def pictures_kept(kept: MutableMapping[str, str]) -> Iterator[None]:
    """Within it, in this context, a picture of the same chart and rows is drawn once.

    Parameters
    ----------
    kept
        Pictures by a digest of what they are drawn from; those that are drawn are added.
    """
    token = _KEPT.set(kept)
    try:
        yield
    finally:
        _KEPT.reset(token)


def compiled(chart: Callable[[], Any], names: Sequence[str], *, drawing: str) -> Compiled:
    """A chart whose datasets are called `names`, as it is shipped under the name `drawing`.

    If none is shipped, or drawings are rebuilt, it is designed and compiled.
    """
    held = None if _ANEW.get() else _shipped(drawing)
    if held is None:
        held = vl_convert.vegalite_to_vega(chart().to_dict())
        held.pop("background", None)  # the page's paper shows through
    return Compiled(held, frozenset(names))


def _shipped(drawing: str) -> dict[str, Any] | None:
    file = resources.files("rightsize.evidence") / "drawings" / f"{drawing}.json"
    if not file.is_file():
        return None
    vega: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return vega


@contextmanager
def redrawn() -> Iterator[None]:
    """Within it charts are designed and compiled, whatever is shipped."""
    token = _ANEW.set(True)
    try:
        yield
    finally:
        _ANEW.reset(token)


def dressed(chart: Any) -> Any:
    """The chart in our dress: no frame, quiet grid, one font, nothing read out part by part."""
    axis = {
        "labelColor": FAINT,
        "titleColor": FAINT,
        "gridColor": LINE,
        "domainColor": FAINT,
        "tickColor": FAINT,
        "labelFontSize": _TEXT_PX,
        "titleFontSize": _TEXT_PX,
        "titleFontWeight": "normal",
        "labelFont": _FONT,
        "titleFont": _FONT,
        "titlePadding": 5,
        "labelLimit": 0,  # ours are short; a limit has each measured once more
        "titleLimit": 0,
    }
    return (
        chart.configure(padding=2, font=_FONT, aria=False)
        .configure_axis(**axis)
        .configure_view(stroke=None)
        .configure_title(
            color=INK,
            fontSize=_TEXT_PX,
            fontWeight="normal",
            anchor="start",
            font=_FONT,
            offset=4,
        )
        .configure_text(font=_FONT, fontSize=_TEXT_PX, color=INK)
    )


def _for_page(svg: str, *, name: str, label: str) -> str:
    svg = _PART_BY_PART.sub("", svg)
    told = f'role="img" aria-label="{escape(label)}" '
    svg = _SIZE.sub(lambda found: f"<svg {found[1]}{told}", svg, count=1)
    svg = _ID.sub(lambda found: f"{found[1]}{name}-", svg)
    return themed(svg)
