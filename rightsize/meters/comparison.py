"""Comparison of two meters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio
from rightsize.meters.head_loss import head_loss_psi
from rightsize.meters.principles import principle_of

Side = Literal["installed", "candidate", "neither"]
Unit = Literal["", "gpm", "psi", "usd", "usd_per_year", "years", "pct"]

LOW_FLOWS_GPM: Final = (0.25, 1.0)
"""Flows at which low-flow sensitivity is shown: a dripping service and a running tap."""


@dataclass(frozen=True)
class ComparisonRow:
    """One aspect of both meters; `unit` is empty for words and pure numbers."""

    aspect: str
    unit: Unit
    installed: str | float
    candidate: str | float
    better: Side = "neither"


@dataclass(frozen=True)
class ComparisonCard:
    """Installed meter against candidate, one row per aspect, in display order."""

    installed: str
    candidate: str
    rows: tuple[ComparisonRow, ...]

    def row(self, aspect: str) -> ComparisonRow:
        """The row of this aspect.

        Raises
        ------
        KeyError
            If the card has none.
        """
        for row in self.rows:
            if row.aspect == aspect:
                return row
        raise KeyError(aspect)


def comparison_card(
    installed: Meter,
    candidate: Meter,
    *,
    peak_gpm: float,
    low_flows_gpm: tuple[float, ...] = LOW_FLOWS_GPM,
) -> ComparisonCard:
    """Measuring principle, range, low-flow sensitivity, head loss, O&M cost, price and duty.

    Parameters
    ----------
    installed, candidate : Meter
        The meter in the ground and the one held against it.
    peak_gpm : float
        The account's peak [gpm], at which head loss is compared.
    low_flows_gpm : tuple of float
        Flows [gpm] at which registration is compared.
    """
    one, two = principle_of(installed.meter_type), principle_of(candidate.meter_type)
    loss_psi = [
        float(head_loss_psi(np.array([peak_gpm]), m)[0]) for m in (installed, candidate)
    ]
    rows = (
        ComparisonRow("measuring principle", "", one.measures, two.measures),
        _more("turndown", "", installed.flow_range_ratio, candidate.flow_range_ratio),
        _less("starting flow", "gpm", installed.starting_gpm, candidate.starting_gpm),
        _less("minimum test flow", "gpm", installed.min_test_gpm, candidate.min_test_gpm),
        *(_low_flow(installed, candidate, flow) for flow in low_flows_gpm),
        _more(
            "maximum continuous flow", "gpm", installed.continuous_gpm, candidate.continuous_gpm
        ),
        _more(
            "safe maximum (SMOC)",
            "gpm",
            installed.smoc_gpm,
            candidate.smoc_gpm,
        ),
        _less("head loss at peak", "psi", *loss_psi),
        ComparisonRow("maintenance", "", one.maintenance, two.maintenance),
        _less(
            "O&M cost",
            "usd_per_year",
            installed.upkeep_usd_per_year,
            candidate.upkeep_usd_per_year,
        ),
        _more("service life", "years", installed.life_years, candidate.life_years),
        _less("price with register", "usd", installed.purchase_usd, candidate.purchase_usd),
        ComparisonRow("suits", "", one.duty, two.duty),
    )
    return ComparisonCard(installed.label, candidate.label, rows)


def _low_flow(installed: Meter, candidate: Meter, flow_gpm: float) -> ComparisonRow:
    at = np.array([flow_gpm])
    one, two = (100 * float(registration_ratio(at, m)[0]) for m in (installed, candidate))
    nearer = _better(-abs(100 - one), -abs(100 - two))
    return ComparisonRow(f"registered at {flow_gpm:g} gpm", "pct", one, two, nearer)


def _more(aspect: str, unit: Unit, installed: float, candidate: float) -> ComparisonRow:
    return ComparisonRow(aspect, unit, installed, candidate, _better(installed, candidate))


def _less(aspect: str, unit: Unit, installed: float, candidate: float) -> ComparisonRow:
    return ComparisonRow(aspect, unit, installed, candidate, _better(-installed, -candidate))


def _better(installed: float, candidate: float) -> Side:
    if np.isclose(installed, candidate, rtol=1e-9):
        return "neither"
    return "installed" if installed > candidate else "candidate"
