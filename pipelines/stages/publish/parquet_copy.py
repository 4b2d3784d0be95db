"""The published tables as Parquet, for notebooks and object stores.

```
published/
  parquet -> parquet-versions/<sweep>         readers open this link
  parquet-versions/<sweep>/<table>/<sweep of the rows>.parquet
  parquet-versions/<sweep>/latest_recommendation.parquet
```
A publication writes a new folder and then replaces the link in one step, so the linked folder
is always complete. Rows of earlier sweeps are hard links to files of the previous publication,
whose folder is kept until the next one for readers that hold its path.
"""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb

from pipelines.stages.publish.contract_sql import in_units, quoted
from pipelines.stages.publish.shown import folder_shown, keep_two, show
from pipelines.store.checksum import PROMISED, State, seal, state_of
from rightsize.contracts.results import RESULT_TABLES
from rightsize.contracts.table import Table
from rightsize.units import UnitSystem

_CONTRACT: Final = "contract.txt"
_LEVEL: Final = 1
"""Of zstd: 980,000 candidates take 0.55 s of processor and 64 MB, by default 0.86 and 59."""


@dataclass(frozen=True)
class ParquetCopy:
    """A folder of Parquet files ready to be put in place."""

    aside: Path
    folder: Path
    link: Path

    def put_in_place(self) -> Path | None:
        """Put the folder in place: rename it, then replace the link, each in one step.

        Returns the previous folder.
        """
        self.folder.parent.mkdir(exist_ok=True)
        os.replace(self.aside, self.folder)
        return show(self.link, self.folder)

    def drop_others(self, previous: Path | None) -> None:
        """Remove all folders except this one and the previous one."""
        keep_two(self.folder, previous)


@dataclass(frozen=True)
class ParquetCopyWriter:
    """Writes a copy to a hidden folder, table by table; nothing is visible yet.

    `previous` is the folder of the previous publication, if its files can be reused.
    """

    root: Path
    published: Path
    sweep_id: str
    previous: Path | None

    def write_table(self, connection: duckdb.DuckDBPyConnection, table: Table) -> None:
        """The files of one table: this sweep's are written, those of earlier sweeps linked."""
        (self.root / table.name).mkdir()
        for name, rows in _files(connection, table, self.sweep_id):
            relative = Path(table.name) / f"{name}.parquet"
            is_new = name in ("all", self.sweep_id)
            if is_new or not _linked(self.previous, self.root, relative):
                _write(connection, f"from results.{table.name} {rows}", self.root / relative)

    def write_latest(self, connection: duckdb.DuckDBPyConnection) -> None:
        """The view that most readers need, as one file."""
        name = "latest_recommendation"
        _write(connection, f"from results.{name}", self.root / f"{name}.parquet")

    def finished(self) -> ParquetCopy:
        """The finished copy, after every table is written."""
        versions = self.published / "parquet-versions"
        return ParquetCopy(
            aside=self.root,
            folder=versions / f"{self.sweep_id}-{uuid.uuid4().hex[:8]}",
            link=self.published / "parquet",
        )


def begin_copy(
    aside: Path, published: Path, *, sweep_id: str, units: UnitSystem
) -> ParquetCopyWriter:
    """An empty copy below `aside`."""
    root = aside / "parquet"
    root.mkdir()
    contract = _contract(units)
    previous = folder_shown(published / "parquet")
    if previous and not _has_contract(previous, contract):
        previous = None
    (root / _CONTRACT).write_text(contract, encoding="utf-8")
    return ParquetCopyWriter(root, published, sweep_id, previous)


def _files(
    connection: duckdb.DuckDBPyConnection, table: Table, sweep_id: str
) -> Iterator[tuple[str, str]]:
    """Name and filter of each file of a table: one a sweep, or one in all."""
    if not table.has_history:
        yield "all", ""
        return
    held = connection.execute(f"select distinct sweep_id from results.{table.name}").fetchall()
    for name in sorted({sweep_id, *(r[0] for r in held)}):
        yield name, f"where sweep_id = {quoted(name)}"


def _linked(previous: Path | None, root: Path, relative: Path) -> bool:
    """Take over a file of the previous publication; not one that is damaged."""
    if previous is None or not (previous / relative).is_file():
        return False
    if state_of(previous / relative) is not State.whole:
        return False
    try:
        os.link(previous / relative, root / relative)
    except OSError:  # a file system without hard links
        shutil.copyfile(previous / relative, root / relative)
    return True


def _write(connection: duckdb.DuckDBPyConnection, rows: str, path: Path) -> None:
    connection.execute(
        f"copy ({rows}) to {quoted(str(path))}"
        f" (format parquet, compression zstd, compression_level {_LEVEL}, {PROMISED})"
    )
    seal(path)
    flush(path)


def _contract(units: UnitSystem) -> str:
    """Describes the content of a publication's files, so that older ones can be reused."""
    lines = [f"units {units}"]
    for table in RESULT_TABLES:
        columns = in_units(table, units).columns
        lines.append(f"{table.name} " + " ".join(f"{c.name}:{c.type}" for c in columns))
    return "\n".join(lines) + "\n"


def _has_contract(folder: Path, contract: str) -> bool:
    held = folder / _CONTRACT
    return held.is_file() and held.read_text(encoding="utf-8") == contract


def flush(path: Path) -> None:
    """Flush a file or folder to disk before anything points to it."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
