"""Meters for an account without reads: a design aid, not a recommendation.

The design flow comes from fixtures (`rightsize.demand.design_demand`) or from the inferred
peaks of accounts with similar class and floor area. With a year of reads, the reads decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.errors import ConfigError
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.head_loss import head_loss_psi
from rightsize.recommend.rules.meter_rules import meter_rules
from rightsize.settings import Thresholds

Array = NDArray[np.float64]

DESIGN_AID_NOTE: Final = (
    "Design aid: sized without reads. Local code, the utility's standards and a licensed "
    "designer govern; review once a year of reads is available."
)
FEWEST_PEERS: Final = 10
MOST_PEERS: Final = 40


@dataclass(frozen=True)
class PeerPeak:
    """Peak flow of similar accounts: median and the range of nine in ten."""

    peak_10s_gpm: float
    low_gpm: float
    high_gpm: float
    peer_count: int


def peer_peak(
    peers: pl.DataFrame, *, customer_class: str, floor_area_ft2: float | None = None
) -> PeerPeak:
    """Peak of accounts of the same class, nearest in floor area where it is known.

    Parameters
    ----------
    peers : frame
        Assessed accounts: customer_class, peak_10s_gpm, and floor_area_ft2 where known.
    customer_class : str
        Class of the account to size.
    floor_area_ft2 : float, optional
        Its floor area. Peaks of the nearest peers are moved to it by the square root of the
        ratio of areas: peaks grow more slowly than the number of users (our convention).

    Raises
    ------
    ConfigError
        If fewer than `FEWEST_PEERS` accounts are alike, or the area is not above 0.
    """
    alike = peers.filter(
        (pl.col("customer_class") == customer_class) & (pl.col("peak_10s_gpm") > 0)
    )
    if floor_area_ft2 is not None:
        if floor_area_ft2 <= 0:
            raise ConfigError(f"floor_area_ft2 must be above 0, got {floor_area_ft2}")
        alike = _nearest(alike.filter(pl.col("floor_area_ft2") > 0), floor_area_ft2)
    if alike.height < FEWEST_PEERS:
        raise ConfigError(
            f"only {alike.height} similar assessed accounts (class {customer_class}"
            f"{', floor area known' if floor_area_ft2 else ''}); "
            f"at least {FEWEST_PEERS} are needed"
        )
    peaks = alike["peak_10s_gpm"].to_numpy()
    if floor_area_ft2 is not None:
        peaks = peaks * np.sqrt(floor_area_ft2 / alike["floor_area_ft2"].to_numpy())
    low, middle, high = np.quantile(peaks, [0.05, 0.5, 0.95])
    return PeerPeak(float(middle), float(low), float(high), alike.height)


def _nearest(peers: pl.DataFrame, floor_area_ft2: float) -> pl.DataFrame:
    distance = (pl.col("floor_area_ft2") / floor_area_ft2).log().abs()
    return peers.sort(distance, maintain_order=True).head(MOST_PEERS)


def design_meters(
    catalogue: Catalogue,
    thresholds: Thresholds,
    *,
    peak_gpm: float,
    sustained_gpm: float | None = None,
    spare_head_psi: float | None = None,
    service_line_in: float | None = None,
) -> pl.DataFrame:
    """The smallest meter of each type and grade that handles a design flow.

    Parameters
    ----------
    catalogue, thresholds
        Meters and limits; margins and the utility's lists count as for a recommendation.
    peak_gpm, sustained_gpm : float
        Design peak, and sustained flow; half of the peak is compared with the continuous
        rating where it is not given (our convention: ratings of displacement and compound
        meters stand in that ratio).
    spare_head_psi, service_line_in : float
        Of the site; the threshold and no limit if not given.

    Returns
    -------
    frame
        meter_type, size_in, grade, smoc_gpm, continuous_gpm, head_loss_at_peak_psi,
        change_cost_usd, note; smallest and cheapest first. Empty where no meter carries it.

    Raises
    ------
    ConfigError
        If the design flow is not above 0.
    """
    if not peak_gpm > 0:
        raise ConfigError(f"design peak must be above 0 gpm, got {peak_gpm}")
    lasting = peak_gpm / 2 if sustained_gpm is None else sustained_gpm
    spare = thresholds.spare_head_psi if spare_head_psi is None else spare_head_psi
    line = np.inf if service_line_in is None else service_line_in
    rows = []
    broken = meter_rules(catalogue.meters, thresholds)
    for meter, rules in zip(catalogue.meters, broken, strict=True):
        loss_psi = float(head_loss_psi(np.array(peak_gpm), meter))
        carries = (
            peak_gpm <= meter.smoc_gpm * (1 - thresholds.smoc_margin_share)
            and lasting <= meter.continuous_gpm * (1 - thresholds.continuous_margin_share)
            and loss_psi <= spare
            and meter.size_in <= line + 1e-6
        )
        if carries and not rules:
            rows.append(
                (
                    meter.meter_type,
                    meter.size_in,
                    meter.grade,
                    meter.smoc_gpm,
                    meter.continuous_gpm,
                    loss_psi,
                    meter.price_usd + meter.install_usd,
                    DESIGN_AID_NOTE,
                )
            )
    frame = pl.DataFrame(rows, schema=_SCHEMA, orient="row")
    return (
        frame.sort("size_in", "change_cost_usd", maintain_order=True)
        .unique(["meter_type", "grade"], keep="first", maintain_order=True)
        .sort("size_in", "change_cost_usd", maintain_order=True)
    )


_SCHEMA: Final = {
    "meter_type": pl.String,
    "size_in": pl.Float64,
    "grade": pl.String,
    "smoc_gpm": pl.Float64,
    "continuous_gpm": pl.Float64,
    "head_loss_at_peak_psi": pl.Float64,
    "change_cost_usd": pl.Float64,
    "note": pl.String,
}
