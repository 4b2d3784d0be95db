"""Which crew does what: the areas of a week are parted between the crews, in order.

A crew stays in its area as long as there is work for it, and goes on to the next one: so each
day is spent in one or two places.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rightsize.campaign.learning_options import Limits, Options
from rightsize.campaign.model import trips

Index = NDArray[np.int64]


def crews_of(options: Options, limits: Limits, option: Index, week: Index) -> Index:
    """Crew of each chosen option, from 1, by the week in which its work begins.

    Parameters
    ----------
    option, week : int arrays [C]
        Options chosen, and the week in which each begins.
    """
    crew = np.ones(len(option), dtype=np.int64)
    begun, ended = trips(options, option, week)
    area = options.area[option]
    later = ended > begun  # fetched in another week: half of the hours each
    hours = options.visit_hours[option] * np.where(later, 0.5, 1.0)
    for at in np.unique(begun):
        now, used, last = 1, 0.0, None
        works = [
            *((str(area[k]), 0, int(k)) for k in np.flatnonzero(begun == at)),
            *((str(area[k]), 1, int(k)) for k in np.flatnonzero(later & (ended == at))),
        ]
        for name, is_fetched, k in sorted(works):
            way = 0.0 if name == last else limits.area_trip_hours
            is_full = used + way + hours[k] > limits.crew_hours_per_week + 1e-9
            if is_full and now < limits.crew_count:
                now, used, way = now + 1, 0.0, limits.area_trip_hours
            used, last = used + way + hours[k], name
            if not is_fetched:
                crew[k] = now
    return crew
