"""ESPI feeds for tests, written by the public schema's element names and codes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom">\n'
ESPI = 'xmlns="http://naesb.org/espi"'


@dataclass(frozen=True)
class Reading:
    """One IntervalReading; without a start it follows its block."""

    value: object
    start: int | None = None
    duration: int | None = 3600
    quality: Sequence[int] = ()


def entry(links: Iterable[tuple[str, str]], title: str, content: str) -> str:
    told = "".join(f'<link rel="{rel}" href="{href}"/>' for rel, href in links)
    return f"<entry>{told}<title>{title}</title><content>{content}</content></entry>\n"


def usage_point(point: str, *, service: int = 2, title: str = "") -> str:
    content = (
        f"<UsagePoint {ESPI}><ServiceCategory><kind>{service}</kind></ServiceCategory>"
        "</UsagePoint>"
    )
    return entry([("self", f"/espi/1_1/resource/UsagePoint/{point}")], title, content)


def meter_reading(point: str, reading_type: str, channel: str = "1") -> str:
    own = f"/espi/1_1/resource/UsagePoint/{point}/MeterReading/{channel}"
    kind = f"/espi/1_1/resource/ReadingType/{reading_type}"
    return entry([("self", own), ("related", kind)], "", f"<MeterReading {ESPI}/>")


def reading_type(
    name: str,
    *,
    uom: int = 128,
    power: int = 0,
    behaviour: int = 4,
    length: int | None = 3600,
    more: str = "",
) -> str:
    told = "" if length is None else f"<intervalLength>{length}</intervalLength>"
    content = (
        f"<ReadingType {ESPI}><accumulationBehaviour>{behaviour}</accumulationBehaviour>"
        f"<commodity>9</commodity>{told}<kind>58</kind>"
        f"<powerOfTenMultiplier>{power}</powerOfTenMultiplier><uom>{uom}</uom>{more}"
        "</ReadingType>"
    )
    return entry([("self", f"/espi/1_1/resource/ReadingType/{name}")], "", content)


def block(point: str, start: int, readings: Sequence[Reading], channel: str = "1") -> str:
    up = f"/espi/1_1/resource/UsagePoint/{point}/MeterReading/{channel}/IntervalBlock"
    body = "".join(_reading(r) for r in readings)
    content = (
        f"<IntervalBlock {ESPI}><interval><duration>{3600 * len(readings)}</duration>"
        f"<start>{start}</start></interval>{body}</IntervalBlock>"
    )
    return entry([("self", f"{up}/1"), ("up", up)], "", content)


def _reading(r: Reading) -> str:
    period = ""
    if r.start is not None:
        span = f"<duration>{r.duration}</duration><start>{r.start}</start>"
        period = f"<timePeriod>{span}</timePeriod>"
    quality = "".join(
        f"<ReadingQuality><quality>{q}</quality></ReadingQuality>" for q in r.quality
    )
    return f"<IntervalReading>{quality}{period}<value>{r.value}</value></IntervalReading>"


def feed(*entries: str) -> str:
    return HEAD + "".join(entries) + "</feed>\n"
