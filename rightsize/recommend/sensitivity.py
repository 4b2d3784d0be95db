"""What a recommendation rests on: net benefit when rates, costs, interest or curves differ."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.samples import mean, odds
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.case import Case, prepare
from rightsize.recommend.weigh import benefit_samples
from rightsize.settings import ClassRate, Tariff, Thresholds

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Scenario:
    """One thing that may be other than assumed."""

    name: str
    rate_factor: float = 1.0  # factor on volumetric and sewer rates
    cost_factor: float = 1.0  # factor on price and installation
    interest_points: float = 0.0  # added to the discount rate, in points of %
    curve_points: float = 0.0  # added to the new meter's registration, in points of %


SCENARIOS: Final[tuple[Scenario, ...]] = (
    Scenario("as assumed"),
    Scenario("rates 20 % lower", rate_factor=0.8),
    Scenario("rates 20 % higher", rate_factor=1.2),
    Scenario("purchase and installation 25 % dearer", cost_factor=1.25),
    Scenario("purchase and installation 25 % cheaper", cost_factor=0.75),
    Scenario("discount rate 2 points higher", interest_points=2.0),
    Scenario("discount rate 2 points lower", interest_points=-2.0),
    Scenario("new meter registers 1 point less", curve_points=-1.0),
    Scenario("new meter registers 1 point more", curve_points=1.0),
)
"""What is varied by default; the steps are our convention."""


def sensitivity(
    block: ProfileBlock,
    posterior: FlowPosterior,
    sites: SiteBlock,
    catalogue: Catalogue,
    tariff: Tariff,
    thresholds: Thresholds,
    *,
    chosen: Index,
    scenarios: tuple[Scenario, ...] = SCENARIOS,
) -> pl.DataFrame:
    """Net benefit and its odds for the chosen meters under each scenario.

    Parameters
    ----------
    block, posterior, sites, catalogue, tariff, thresholds
        As for `rightsize.recommend.choose.decide`; a few accounts at a time.
    chosen : int array [A]
        Catalogue row of each account's recommended meter.
    scenarios : tuple of Scenario
        What is varied, one at a time.

    Returns
    -------
    frame
        account_id, meter_id, scenario, net_benefit_usd_per_year, odds_of_benefit; one row an
        account and scenario.
    """
    parts = []
    for scenario in scenarios:
        case = prepare(
            block,
            _with_curve(posterior, sites.meter_index, scenario),
            sites,
            _with_cost(catalogue, scenario),
            _with_rates(tariff, scenario),
            thresholds,
        )
        net_usd = _net_benefit_usd(case, chosen)
        parts.append(
            pl.DataFrame(
                {
                    "account_id": pl.Series(block.account_id, dtype=pl.String),
                    "meter_id": pl.Series(block.meter_id, dtype=pl.String),
                    "scenario": pl.Series([scenario.name] * block.size, dtype=pl.String),
                    "net_benefit_usd_per_year": mean(net_usd),
                    "odds_of_benefit": odds(net_usd > 0),
                }
            )
        )
    return pl.concat(parts)


def _net_benefit_usd(case: Case, chosen: Index) -> Array:
    """Net benefit of the chosen meter in each sample [J, A]."""
    rows = slice(0, case.block.size)
    rates, costs, flow_limits = case.priced(rows)
    samples = benefit_samples(
        case.posterior, rows, case.meter_index, rates, costs, flow_limits,
        least_sustained_gpm=np.zeros(case.block.size),
        demand_elasticity=case.thresholds.demand_elasticity,
    )  # fmt: skip
    picked = samples.net_benefit_usd[:, np.arange(case.block.size), chosen]
    return np.asarray(picked, dtype=np.float64)


def _with_rates(tariff: Tariff, scenario: Scenario) -> Tariff:
    classes = {
        name: _scaled(rate, scenario.rate_factor) for name, rate in tariff.classes.items()
    }
    interest = max(0.0, tariff.discount_rate_pct + scenario.interest_points)
    return tariff.model_copy(update={"classes": classes, "discount_rate_pct": interest})


def _scaled(rate: ClassRate, factor: float) -> ClassRate:
    tiers = tuple(
        t.model_copy(update={"usd_per_kgal": t.usd_per_kgal * factor}) for t in rate.tiers
    )
    sewer = rate.sewer_usd_per_kgal * factor
    return rate.model_copy(update={"tiers": tiers, "sewer_usd_per_kgal": sewer})


def _with_cost(catalogue: Catalogue, scenario: Scenario) -> Catalogue:
    dearer = tuple(
        replace(
            m,
            price_usd=m.price_usd * scenario.cost_factor,
            install_usd=m.install_usd * scenario.cost_factor,
        )
        for m in catalogue.meters
    )
    return replace(catalogue, meters=dearer)


def _with_curve(
    posterior: FlowPosterior, installed: Index, scenario: Scenario
) -> FlowPosterior:
    """Registration of all but the installed meter moved by points of the actual volume."""
    if scenario.curve_points == 0:
        return posterior
    moved = (
        posterior.registered_gal_per_year
        + posterior.actual_gal_per_year[:, :, None] * scenario.curve_points / 100
    )
    rows, known = np.arange(len(installed)), np.maximum(installed, 0)
    moved[:, rows, known] = posterior.registered_gal_per_year[:, rows, known]
    return replace(posterior, registered_gal_per_year=np.maximum(moved, 0.0))
