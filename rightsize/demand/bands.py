"""The grid of flow bands shared by profiles, kernels and accuracy curves.

Bands are spaced evenly in log flow, `BANDS_PER_DECADE` to the decade, from `FIRST_EDGE_GPM`.
Band k holds flows from edge k (included) to edge k + 1 (excluded). Zero flow has no band: it
is counted apart. Flows below the first edge fall in band 0, flows above the last edge in the
last band. SQL uses the same rule with the same numbers as bound parameters.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

BANDS_PER_DECADE: Final = 20
FIRST_EDGE_GPM: Final = 1e-3
BAND_COUNT: Final = 150  # up to 10**4.5 = 31,623 gpm

BAND_EDGES_GPM: Final[NDArray[np.float64]] = FIRST_EDGE_GPM * 10.0 ** (
    np.arange(BAND_COUNT + 1) / BANDS_PER_DECADE
)
BAND_CENTRES_GPM: Final[NDArray[np.float64]] = np.sqrt(BAND_EDGES_GPM[:-1] * BAND_EDGES_GPM[1:])


def band_of(flow_gpm: NDArray[np.float64]) -> NDArray[np.int64]:
    """Band index of each flow [gpm]; -1 for zero or negative flow."""
    flow = np.asarray(flow_gpm, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        raw = np.floor(np.log10(flow / FIRST_EDGE_GPM) * BANDS_PER_DECADE + 1e-9)
    band = np.clip(np.where(flow > 0, raw, 0), 0, BAND_COUNT - 1).astype(np.int64)
    return np.where(flow > 0, band, -1)
