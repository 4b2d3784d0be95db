"""The inference's own numbers for a small fleet, held so that none moves unnoticed.

    python -m tests.unit.inference.pinned        # writes pinned.json anew

They prove nothing about truth (that is `tests/fleets` and the calibration page): they notice a
constant or a sign that no other test holds. A change that means to move them writes them anew
and has its row in the changelog of DEVELOPERS.md.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import numpy as np

from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import learn_from, steady_by_class
from tests.fleets import sites
from tests.fleets.catalogue import METERS
from tests.fleets.fleet import simulate_fleet

FILE: Final = Path(__file__).with_name("pinned.json")
SAMPLES: Final = (
    200  # so that one sample that falls otherwise on another processor moves little
)
KINDS: Final = (
    sites.office,
    sites.hotel,
    sites.retail,
    sites.irrigation,
    sites.laundry,
    sites.process,
    sites.apartments,
)


def inferred() -> dict[str, list[float]]:
    """Means over samples, an account each, of hourly and of 15 min reads."""
    _, blocks = simulate_fleet(5, sites_per_kind=1, kinds=KINDS)
    priors = load_priors()
    out: dict[str, list[float]] = {}
    for length_min, block in blocks.items():
        learnt = learn_from([steady_by_class([block], METERS, priors)], priors)
        found = infer(block, METERS, priors, samples=SAMPLES, seed=1, learnt=learnt)
        for name, value in (
            ("log_actual", np.log(found.actual_gal_per_year)),
            ("log_peak_10s", np.log(found.peak_10s_gpm)),
            ("log_peak_1min", np.log(found.peak_1min_gpm)),
            ("log_sustained_60min", np.log(found.sustained_60min_gpm)),
            ("unseen_share", found.unseen_gal_per_year / found.actual_gal_per_year),
            ("low_flow_share", found.low_flow_share),
        ):
            out[f"{name}_mean {length_min:g} min"] = value.mean(axis=0).round(6).tolist()
            out[f"{name}_sd {length_min:g} min"] = value.std(axis=0).round(6).tolist()
    return out


if __name__ == "__main__":
    FILE.write_text(json.dumps(inferred(), indent=1) + "\n", encoding="utf-8")
