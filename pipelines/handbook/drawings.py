"""The shipped chart templates: `python -m pipelines.handbook.drawings` rewrites them.

A template is a chart compiled to Vega without its data. Run this after changing a chart, its
colors, or the version of vl-convert.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final, get_args

from rightsize.evidence.outcomes import promise_picture
from rightsize.evidence.pictures import (
    band_picture,
    campaign_picture,
    duration_picture,
    fleet_pictures,
    peak_days_picture,
    unseen_picture,
    year_picture,
)
from rightsize.evidence.pictures.picture import redrawn
from rightsize.units import UnitSystem
from rightsize.wording import UnitNames

FOLDER: Final = Path(band_picture.__file__).resolve().parents[1] / "drawings"


def drawings() -> Iterator[tuple[str, dict[str, Any]]]:
    """Name and Vega specification of every chart template."""
    with redrawn():
        for system in get_args(UnitSystem):
            words = UnitNames(system)
            flow, volume = words.flow_unit, words.volume_unit
            yield f"bands-{system}", band_picture.bands_chart.__wrapped__(flow).vega
            yield f"duration-{system}", duration_picture.duration_chart.__wrapped__(flow).vega
            yield (
                f"peak_days-{system}",
                peak_days_picture.peak_days_chart.__wrapped__(flow).vega,
            )
            yield f"unseen-{system}", unseen_picture.unseen_chart.__wrapped__(volume).vega
            yield f"year-{system}", year_picture.year_chart.__wrapped__(flow, volume).vega
        yield "stake", fleet_pictures.stake_chart.__wrapped__().vega
        yield "promise", promise_picture.promise_chart.__wrapped__().vega
        yield "campaign", campaign_picture.campaign_chart.__wrapped__().vega
        yield "learned", campaign_picture.learned_chart.__wrapped__().vega
        yield "classes", fleet_pictures.classes_chart.__wrapped__().vega


def as_text(vega: dict[str, Any]) -> str:
    """The text of a template file."""
    return json.dumps(vega, indent=0, ensure_ascii=False, sort_keys=True) + "\n"


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, vega in drawings():
        (FOLDER / f"{name}.json").write_text(as_text(vega), encoding="utf-8")
