"""Rows of a large table that are those of an earlier sweep: named anew, not written again.

A night that assesses few accounts leaves most block files as they were. What the rows of a
table rest on is told by one digest: the content of its block files, the code, the contract and
the units. It is noted with each publication. Where a sweep whose rows are about to be deleted
had the same, its rows take the name of the sweep being published: one column is written instead
of all. Contracts are checked and rows counted as for rows that were inserted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from blake3 import blake3

from pipelines.stages.publish.contract_sql import create_table, in_units
from pipelines.stages.reconcile import block_files
from pipelines.store.checksum import digest_of
from pipelines.store.workspace import Workspace
from rightsize.contracts.results import BLOCK_TABLES
from rightsize.contracts.sweep_record import SweepRecord
from rightsize.contracts.table import Table
from rightsize.units import UnitSystem

RestsOn = Mapping[str, str]
"""By the name of a large table, the digest of what its rows of one sweep rest on."""
_LARGE: Final = tuple(table for table in BLOCK_TABLES if table.is_detail)


def rests_on(workspace: Workspace, sweep: SweepRecord, units: UnitSystem) -> dict[str, str]:
    """What the rows of each large table of a sweep rest on."""
    return {table.name: _digest(workspace, sweep, table, units) for table in _LARGE}


def _digest(workspace: Workspace, sweep: SweepRecord, table: Table, units: UnitSystem) -> str:
    told = blake3()
    for part in _parts(workspace, sweep, table, units):
        told.update(f"{len(part)}:{part}".encode())
    return told.hexdigest()


def _parts(
    workspace: Workspace, sweep: SweepRecord, table: Table, units: UnitSystem
) -> Iterator[str]:
    yield from (sweep.code_version, units, create_table(in_units(table, units)))
    for file in block_files(workspace, sweep.sweep_id, table):
        yield Path(file).name
        yield digest_of(Path(file))


def taken_from(
    now: RestsOn, noted: Mapping[str, RestsOn], table: Table, expired: list[str]
) -> str | None:
    """The newest of the expired sweeps whose rows of a table are those of this one, if any."""
    wanted = now.get(table.name)
    if wanted is None:
        return None
    same = (s for s in expired if noted.get(s, {}).get(table.name) == wanted)
    return next(same, None)
