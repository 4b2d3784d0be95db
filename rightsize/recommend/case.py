"""One block of accounts prepared for the decision: checked, priced, with its limits."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.site_record import SiteRecord
from rightsize.contracts.sites import SiteBlock
from rightsize.errors import ContractError
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.assembly_loss import added_loss_psi_per_gpm2
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.ageing import WearRates, wear_rates
from rightsize.recommend.economics import (
    GAL_PER_KGAL,
    ChangeCosts,
    RateSteps,
    change_costs,
    rate_class_of,
    rate_steps,
)
from rightsize.recommend.horizon import Horizon, horizon_of
from rightsize.recommend.leak_persistence import LeakSettings
from rightsize.recommend.rules.assessable import Refusals, refusals
from rightsize.recommend.rules.fire_gate import is_fire_unverified
from rightsize.recommend.rules.meter_rules import site_rules
from rightsize.recommend.rules.own_kind import own_kind
from rightsize.recommend.rules.range_fit import FlowLimits, flow_limits
from rightsize.recommend.site_costs import SiteCosts, site_costs, with_site_costs
from rightsize.settings import Tariff, Thresholds
from rightsize.units import UnitSystem

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Case:
    """Inputs of the decision for A accounts and M meters, and what does not depend on flow."""

    block: ProfileBlock
    posterior: FlowPosterior
    sites: SiteBlock
    catalogue: Catalogue
    thresholds: Thresholds
    refused: Refusals
    meter_index: NDArray[np.int64]  # [A] 0 for an unknown meter, never assessed
    rates: RateSteps
    costs: ChangeCosts  # with the expected costs of the site
    site_costs: SiteCosts
    flow_limits: FlowLimits
    spare_head_psi: Array  # [A] the threshold where meters.csv does not say
    added_psi_per_gpm2: Array  # [A, M] loss of strainer and reducers over flow squared
    backflow_psi: Array  # [A] loss of the backflow assembly
    broken: NDArray[np.int32]  # [A, M] rules broken whatever the flow
    units: UnitSystem  # of the sentences
    horizon: Horizon
    tariff: Tariff
    leaks: LeakSettings
    wear: WearRates
    gain_factor: Array | None = None  # [A, M] of past change-outs; None without correction

    @property
    def is_irrigation(self) -> Flags:
        """Seasonal services [A]."""
        kind = np.array(self.sites.service_kind) == "irrigation"
        result: Flags = kind | (np.array(self.sites.customer_class) == "irrigation")
        return result

    @property
    def is_critical(self) -> Flags:
        """Customers that cannot be shut off [A]."""
        of_class = np.isin(
            np.array(self.sites.customer_class), list(self.thresholds.critical_classes)
        )
        result: Flags = np.asarray(self.sites.is_critical, dtype=bool) | of_class
        return result

    @property
    def is_fire_unverified(self) -> Flags:
        """Lines that may carry fire flow, their fire arrangement not recorded [A]."""
        limits = self.thresholds
        return is_fire_unverified(
            self.sites,
            meter_arrays(self.catalogue.meters).size_in[self.meter_index],
            fire_line_min_in=limits.fire_line_min_in,
            fire_line_sizes_above_meter=limits.fire_line_sizes_above_meter,
            fire_line_step_min_in=limits.fire_line_step_min_in,
        )

    @property
    def is_logged(self) -> Flags:
        """Accounts with a flow log: nothing is left that another would tell [A]."""
        if self.sites.is_logged is None:
            return np.zeros(self.sites.size, dtype=np.bool_)
        return self.sites.is_logged

    @property
    def may_log(self) -> Flags:
        """Accounts at which a log may still come before the decision [A]."""
        planned = self.sites.is_to_log
        return ~self.is_logged if planned is None else ~self.is_logged & planned

    @property
    def record(self) -> SiteRecord:
        """What the meter list records of the sites."""
        return self.sites.record or SiteRecord.blank(self.sites.size)

    def own_kind(self, rows: slice) -> pl.Series:
        """Why a change of each account is for engineering review; null where nothing is."""
        return own_kind(self.sites.service_kind[rows], self.record.manifold[rows])

    @property
    def last_use_on(self) -> tuple[str | None, ...]:
        """Day of the last registration of each meter that has stopped, None for others [A]."""
        return self.sites.last_use_on or (None,) * self.sites.size

    @property
    def discount_rate_pct(self) -> float:
        """The tariff's real discount rate."""
        return self.tariff.discount_rate_pct

    def priced(self, rows: slice) -> tuple[RateSteps, ChangeCosts, FlowLimits]:
        """Rates, costs and limits of some accounts."""
        rates = RateSteps(self.rates.start_gal_per_year[rows], self.rates.usd_per_gal[rows])
        costs = replace(
            self.costs,
            change_cost_usd=self.costs.change_cost_usd[rows],
            annual_cost_usd_per_year=self.costs.annual_cost_usd_per_year[rows],
            upkeep_change_usd_per_year=self.costs.upkeep_change_usd_per_year[rows],
            fixed_charge_change_usd_per_year=self.costs.fixed_charge_change_usd_per_year[rows],
            base_charge_loss_usd_per_year=self.costs.base_charge_loss_usd_per_year[rows],
            until_renewal_share=self.costs.until_renewal_share[rows],
            years_to_renewal=self.costs.years_to_renewal[rows],
            renewal_usd_per_year=self.costs.renewal_usd_per_year[rows],
        )
        return rates, costs, replace(self.flow_limits, head_gpm=self.flow_limits.head_gpm[rows])


def prepare(
    block: ProfileBlock,
    posterior: FlowPosterior,
    sites: SiteBlock,
    catalogue: Catalogue,
    tariff: Tariff,
    thresholds: Thresholds,
    *,
    units: UnitSystem,
) -> Case:
    """Check the inputs and compute everything that does not need the samples.

    Raises
    ------
    ContractError
        If they do not belong together.
    """
    _check(block, posterior, sites, catalogue)
    index = np.maximum(sites.meter_index, 0)
    costs = change_costs(
        catalogue,
        tariff,
        meter_index=index,
        age_years=sites.age_years,
        refit_usd_per_in=thresholds.refit_usd_per_in,
        renewal_credit_share=thresholds.renewal_credit_share,
    )
    record = sites.record or SiteRecord.blank(sites.size)
    on_site = site_costs(catalogue.meters, index, sites.service_line_in, record, thresholds)
    costs = with_site_costs(costs, on_site, len(posterior.peak_10s_gpm))
    rates = rate_steps(
        tariff,
        rate_class_of(tariff, sites.customer_class, sites.service_kind),
        month_volume_share=sites.month_volume_share,
    )
    spare = np.where(
        np.isnan(sites.spare_head_psi), thresholds.spare_head_psi, sites.spare_head_psi
    )
    added = added_loss_psi_per_gpm2(catalogue.meters, sites.service_line_in)
    backflow = backflow_loss_psi(sites, thresholds)
    limits_gpm = flow_limits(
        catalogue.meters,
        spare - backflow,
        added_psi_per_gpm2=added,
        smoc_margin_share=thresholds.smoc_margin_share,
        continuous_margin_share=thresholds.continuous_margin_share,
    )
    broken = site_rules(
        catalogue.meters,
        sites,
        thresholds,
        meter_index=index,
        charge_change_usd=costs.fixed_charge_change_usd_per_year,
    )
    return Case(
        block=block,
        posterior=posterior,
        sites=sites,
        catalogue=catalogue,
        thresholds=thresholds,
        refused=refusals(block, posterior, sites, catalogue.meters, thresholds, units=units),
        meter_index=index,
        rates=rates,
        costs=costs,
        site_costs=on_site,
        flow_limits=limits_gpm,
        spare_head_psi=spare,
        added_psi_per_gpm2=added,
        backflow_psi=backflow,
        broken=broken,
        units=units,
        horizon=horizon_of(meter_arrays(catalogue.meters).life_years, tariff.discount_rate_pct),
        tariff=tariff,
        leaks=_leak_settings(tariff, thresholds),
        wear=wear_rates(
            meter_arrays(catalogue.meters),
            {str(kind): pct for kind, pct in thresholds.wear_pct_per_year.items()},
            {str(kind): pct for kind, pct in thresholds.wear_pct_per_1000_hours.items()},
        ),
    )


def _leak_settings(tariff: Tariff, thresholds: Thresholds) -> LeakSettings:
    return LeakSettings(
        is_counted=thresholds.count_leak_repair,
        running_share=(
            thresholds.leak_runs_after_3_months_share,
            thresholds.leak_runs_after_12_months_share,
            thresholds.leak_runs_after_36_months_share,
        ),
        spread_share=thresholds.leak_runs_spread_share,
        credited_share=tariff.leak_adjustment_share,
        credited_months=tariff.leak_adjustment_months,
        avoided_usd_per_gal=tariff.avoided_water_usd_per_kgal / GAL_PER_KGAL,
    )


def backflow_loss_psi(sites: SiteBlock, thresholds: Thresholds) -> Array:
    """Head loss of each site's backflow assembly [A]; 0 where none is recorded."""
    loss = {
        "double_check": thresholds.double_check_psi,
        "reduced_pressure": thresholds.reduced_pressure_psi,
    }
    recorded = pl.Series(
        (sites.record or SiteRecord.blank(sites.size)).backflow, dtype=pl.String
    )
    return recorded.replace_strict(loss, default=0.0, return_dtype=pl.Float64).to_numpy()


def _check(
    block: ProfileBlock, posterior: FlowPosterior, sites: SiteBlock, catalogue: Catalogue
) -> None:
    sites.check()
    if not catalogue.meters:
        raise ContractError("the catalog has no meters")
    sizes = {
        "profiles": block.size,
        "sites": sites.size,
        "posterior": posterior.peak_10s_gpm.shape[1],
    }
    if len(set(sizes.values())) > 1:
        raise ContractError(f"profiles, sites and posterior differ in accounts: {sizes}")
    samples, accounts = posterior.peak_10s_gpm.shape
    want = (samples, accounts, len(catalogue.meters))
    if posterior.registered_gal_per_year.shape != want:
        raise ContractError(
            f"posterior.registered_gal_per_year must be {want} (samples, accounts, meters of "
            f"the catalog), got {posterior.registered_gal_per_year.shape}"
        )
    if not np.array_equal(block.meter_index, sites.meter_index):
        raise ContractError("profiles and sites name different installed meters")
    if accounts and sites.meter_index.max() >= len(catalogue.meters):
        raise ContractError(
            f"meter_index {int(sites.meter_index.max())} is beyond the catalog's "
            f"{len(catalogue.meters)} meters"
        )
