"""What the register may show of a logged volume: curve, its spread, and the logger's error."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.flow_logs.flow_log import FlowLog
from rightsize.flow_logs.judged import METER_ROOM, ExpectedRatio
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio

Array = NDArray[np.floating[Any]]
_SDS: Final = 2.0  # [1] half ranges at most that a good log may be out by: our convention
_RATIO_SD: Final = 0.02  # [1] what meters in the ground may be out by at any flow: convention
_LEAST_GPM: Final = 1e-6


def expected_ratio(log: FlowLog, meter: Meter, span: tuple[float, float]) -> ExpectedRatio:
    """Registered over logged volume that can be, on the log's own flows.

    Parameters
    ----------
    log : FlowLog
    meter : Meter
        Installed meter by its likeliest curve.
    span : (low, high)
        Factors on flow between which nine meters of ten in the ground start and climb.
    """
    if log.measures == "meter":
        return ExpectedRatio(1 - METER_ROOM, 1 + METER_ROOM)
    known = log.volume_gal[np.isfinite(log.volume_gal)]
    flow = known * 60 / log.step_s
    early, late = (_registered(flow, meter, factor) for factor in span)
    room = _SDS * (log.error_share + _RATIO_SD)
    return ExpectedRatio(max(late - room, 0.0), early + room)


def _registered(flow_gpm: Array, meter: Meter, factor: float) -> float:
    """Registration of the flows if the meter does all at `factor` times the flow."""
    total = float(flow_gpm.sum())
    moved = np.maximum(flow_gpm / factor, _LEAST_GPM)
    return float((registration_ratio(moved, meter) * flow_gpm).sum()) / max(total, 1e-9)
