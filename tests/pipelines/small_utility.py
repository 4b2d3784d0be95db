"""A utility whose sweep takes seconds: two small exports, and no account with reads enough.

What is tested with it is how sweeps run, not what they conclude: inference is left out.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import yaml

from demo_data.regenerate import CHECKED_IN

EXPORTS = ("reads_2025-01.csv.gz", "walkby_2025-01.csv.gz")
LATER = "reads_2025-02.csv.gz"


def quick_utility(folder: Path) -> Path:
    """A copy of the checked-in demo with two small files; returns its configuration."""
    folder.mkdir(parents=True)
    settings = yaml.safe_load((CHECKED_IN / "sweep.yaml").read_text())
    settings["exports"] = [e for e in settings["exports"] if e["name"] != "cellular"]
    settings["buckets"] = 4  # some change, others do not
    (folder / "sweep.yaml").write_text(yaml.safe_dump(settings, sort_keys=False))
    for name in ("meters.csv", "catalogue.yaml", "tariff.yaml"):
        shutil.copy(CHECKED_IN / name, folder / name)
    (folder / "exports").mkdir()
    for name in EXPORTS:
        add_export(folder, name)
    (folder / "thresholds.yaml").write_text(
        "min_days_covered: 366\ntolerated_not_assessed_share: 1\ntolerated_rejected_share: 1\n"
    )
    return folder / "sweep.yaml"


def add_export(folder: Path, name: str = LATER) -> None:
    """One more file of the demo's exports."""
    shutil.copy(CHECKED_IN / "exports" / name, folder / "exports" / name)


# Columns that tell one run from another: when it ran and where its files lay.
RUN_COLUMNS = {
    "sweep_id",
    "started_at",
    "finished_at",
    "path",
    "source_file",
    "landed_at",
    "fingerprint",
}


def published_tables(config: Path) -> dict[str, list[tuple]]:
    """Every row of every published table, less what tells one run from another."""
    results = config.parent / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        names = [
            name
            for (name,) in connection.execute(
                "select table_name from duckdb_tables() order by all"
            ).fetchall()
        ]
        tables = {name: _rows(connection, name) for name in names}
    assert tables["sweep"], "nothing is published, so nothing would be compared"
    return tables


def _rows(connection: duckdb.DuckDBPyConnection, table: str) -> list[tuple]:
    columns = [
        name
        for (name,) in connection.execute(
            "select column_name from duckdb_columns() where table_name = ?"
            " order by column_index",
            [table],
        ).fetchall()
        if name not in RUN_COLUMNS
    ]
    return connection.execute(
        f"select {', '.join(columns)} from results.{table} order by all"
    ).fetchall()
