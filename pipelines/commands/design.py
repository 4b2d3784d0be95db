"""A meter for an account without reads, from fixtures or similar accounts: a design aid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import cast

import polars as pl
from rich.console import Console

from pipelines.configuration.fleet import Fleet, load_fleet
from pipelines.configuration.load_settings import Loaded
from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from pipelines.sweep.summary import money, plain_table
from rightsize.demand.design_demand import (
    Supply,
    ipc_fixture_units,
    m22_irrigation_gpm,
    supply_demand_gpm,
)
from rightsize.demand.fixture_tables import IPC_FROM_MEMORY
from rightsize.errors import ConfigError
from rightsize.meters.catalogue import label_of
from rightsize.recommend.design_aid import DESIGN_AID_NOTE, design_meters, peer_peak
from rightsize.settings import CUSTOMER_CLASSES


@dataclass(frozen=True)
class Design:
    """A design flow, its source, and the meters that can handle it."""

    peak_gpm: float
    basis: str
    meters: pl.DataFrame


def design_by_fixtures(
    loaded: Loaded, fixtures: Sequence[str], *, supply: str, spray: float, rotary: float
) -> Design:
    """Meters for fixtures given as `name=count`, by the IPC's supply fixture units.

    Raises
    ------
    ConfigError
        If a fixture is not known or not of the form name=count.
    """
    if supply not in ("tank", "valve"):
        raise ConfigError(f"unknown supply {supply!r}; allowed: tank, valve")
    counts = dict(_counted(text) for text in fixtures)
    units = ipc_fixture_units(counts)
    indoor_gpm = supply_demand_gpm(units, supply=cast(Supply, supply)) if units else 0.0
    recalled = [name for name in counts if name in IPC_FROM_MEMORY]
    garden_gpm = m22_irrigation_gpm(spray, "spray") + m22_irrigation_gpm(rotary, "rotary")
    basis = f"{units:g} supply fixture units (IPC 2018 Appendix E, {supply})"
    if recalled:
        basis += f"; those of {', '.join(recalled)} are from memory: check them with your code"
    if garden_gpm:
        basis += f" and {garden_gpm:.1f} gpm of irrigation (AWWA M22, 3rd ed.)"
    return _design(load_fleet(loaded), indoor_gpm + garden_gpm, basis)


def design_by_peers(
    loaded: Loaded, *, customer_class: str, floor_area_ft2: float | None
) -> Design:
    """Meters from the estimated peaks of accounts of the same class and, if known, floor area.

    Raises
    ------
    ConfigError
        If nothing is published, the class is not known, or too few accounts are similar.
    """
    if customer_class not in CUSTOMER_CLASSES:
        allowed = ", ".join(CUSTOMER_CLASSES)
        raise ConfigError(f"unknown customer class {customer_class!r}; allowed: {allowed}")
    fleet = load_fleet(loaded)
    peak = peer_peak(
        _peers(loaded, fleet), customer_class=customer_class, floor_area_ft2=floor_area_ft2
    )
    basis = (
        f"{peak.peer_count:,} similar accounts: peak {peak.peak_10s_gpm:,.0f} gpm, 90 % range "
        f"{peak.low_gpm:,.0f} to {peak.high_gpm:,.0f} gpm; sized for the upper end"
    )
    return _design(fleet, peak.high_gpm, basis)


def show_design(design: Design, console: Console) -> None:
    """The design flow, the smallest meter of each type that handles it, and the caution."""
    console.print(f"design peak {design.peak_gpm:.1f} gpm from {design.basis}", soft_wrap=True)
    if design.meters.is_empty():
        console.print("No meter in the catalog handles this flow within the limits.")
    else:
        table = plain_table("Smallest meter of each type for this flow")
        table.add_column("meter")
        for heading in ("SMOC, gpm", "continuous, gpm", "head loss, psi", "cost"):
            table.add_column(heading, justify="right")
        for row in design.meters.iter_rows(named=True):
            table.add_row(
                label_of(row["meter_type"], row["size_in"], row["grade"], units="us"),
                f"{row['smoc_gpm']:,.0f}",
                f"{row['continuous_gpm']:,.0f}",
                f"{row['head_loss_at_peak_psi']:.1f}",
                money(row["change_cost_usd"]),
            )
        console.print(table)
    console.print(DESIGN_AID_NOTE, soft_wrap=True)


def _counted(text: str) -> tuple[str, int]:
    name, separator, count = text.partition("=")
    if not separator or not count.strip().isdigit():
        raise ConfigError(f"fixture {text!r}: expected name=count, e.g. lavatory_public=4")
    return name.strip(), int(count)


def _peers(loaded: Loaded, fleet: Fleet) -> pl.DataFrame:
    results = loaded.workspace.results
    if not results.is_file():
        raise ConfigError(f"{results}: no results yet; run `rightsize sweep` first")
    if loaded.settings.units != "us":
        raise ConfigError(
            "--like needs results in US units; this workspace publishes metric units; "
            "give fixtures instead"
        )
    with open_held(results) as connection:
        peaks: pl.DataFrame = connection.sql(sql_text("80_program/peer_peak")).pl()
    areas = fleet.meters.frame.select("meter_id", "floor_area_ft2").unique("meter_id")
    return peaks.join(areas, on="meter_id", how="left")


def _design(fleet: Fleet, peak_gpm: float, basis: str) -> Design:
    settings = fleet.settings
    meters = design_meters(settings.catalogue, settings.thresholds, peak_gpm=peak_gpm)
    return Design(peak_gpm, basis, meters)
