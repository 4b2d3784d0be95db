"""How `pipelines/demo/templates/pilot_*.parquet` was made: `python -m demo_data.pilot`.

The demo's fleet with its planted change-outs is swept as it stood before them, with the reads
to the end of May, by the rightsize of today. Kept are the rows of the planted accounts as they
were published; the fleet's own accounts depend on the seed that a user gives. Only the day of
the sweep is set. Run it after a change of the planted accounts, not of the method: the promises
are those of their day.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Final

import duckdb

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import load, read_model
from pipelines.demo import exports, tables
from pipelines.demo.account import MeterRows, Served, World
from pipelines.demo.calendar import calendar_of
from pipelines.demo.changed.changed_account import before_month, flow_of, old_service
from pipelines.demo.changed.pilot import TABLES, pilot_file
from pipelines.demo.changed.planted import CHANGE_OUTS, LEAST_MONTHS, PILOT_MONTHS
from pipelines.demo.fleet import Plan, fleet_of
from pipelines.demo.oracle import SiteLimits
from pipelines.demo.write import DEFAULT_SEED, simulated
from pipelines.store.resources import config_path
from pipelines.sweep.sweep import run_sweep
from rightsize.settings import Tariff, Thresholds

FLEET_ACCOUNTS: Final = 400  # the default of `rightsize demo`
SWEPT_AT: Final = "2025-06-01 04:00:00+00"
SWEEP_ID: Final = "20250601T040000.000000Z"


def pilot_utility(folder: Path) -> None:
    """The demo as the sweep saw it: reads to the end of May, old meters in service."""
    (folder / "exports").mkdir(parents=True)
    (folder / "catalogue.yaml").write_bytes(config_path("catalogue.yaml").read_bytes())
    tables.write_settings(folder)
    world = World(
        calendar=calendar_of(LEAST_MONTHS),
        catalogue=load_catalogue(folder / "catalogue.yaml"),
        tariff=read_model(folder / "tariff.yaml", Tariff),
        allowed_types=read_model(folder / "thresholds.yaml", Thresholds).allowed_types,
        seed=DEFAULT_SEED,
        correction_month=LEAST_MONTHS // 3,
    )
    fleet = simulated(fleet_of(FLEET_ACCOUNTS, DEFAULT_SEED), world, workers=2)
    seen = [_seen(a.plan, a.limits, a.meters) for a in fleet if a.plan.trouble != "unlisted"]
    seen += [
        _seen(c.plan, SiteLimits(), (old_service(c, flow_of(c, world), world),))
        for c in CHANGE_OUTS
    ]
    seen = [account for account in seen if account.meters]
    exports.write_exports(folder, seen, world)
    tables.write_meters(folder, seen, world)


def _seen(plan: Plan, limits: SiteLimits, meters: tuple[MeterRows, ...]) -> Served:
    """What was known of an account on the day of the sweep."""
    parts = (MeterRows(m.service, before_month(m.rows, PILOT_MONTHS)) for m in meters)
    return Served(plan, limits, tuple(_in_service(p) for p in parts if len(p.rows.steps)))


def _in_service(part: MeterRows) -> MeterRows:
    """A meter that was taken out later was in service on that day."""
    last_month = int(part.rows.file.max())
    is_later = last_month == PILOT_MONTHS - 1
    return replace(part, service=replace(part.service, to_s=None)) if is_later else part


def keep_published(results: Path) -> None:
    """The published rows of the pilot, dated."""
    with duckdb.connect(str(results)) as connection:
        for table in TABLES:
            connection.execute(f"update results.{table} set sweep_id = '{SWEEP_ID}'")
        connection.execute(
            f"update results.sweep set started_at = '{SWEPT_AT}', finished_at = '{SWEPT_AT}'"
        )
        kept = ", ".join(f"'{c.account_id}'" for c in CHANGE_OUTS)
        connection.execute(
            f"delete from results.recommendation where account_id not in ({kept})"
        )
        for table in TABLES:
            connection.execute(
                f"copy results.{table} to '{pilot_file(table)}' (format parquet, codec zstd)"
            )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        utility = Path(scratch) / "pilot"
        pilot_utility(utility)
        outcome = run_sweep(load(utility / "sweep.yaml"), workers=2)
        keep_published(outcome.workspace.results)
