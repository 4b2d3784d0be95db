"""The utility's pilot sweep: what it recommended before the planted change-outs.

`templates/pilot_*.parquet` hold its published rows. `python -m demo_data.pilot` made them: a
true sweep of the reads up to the change-outs, by the rightsize of that day. They are kept, not
made again with each demo: a promise is judged as it was given.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from rightsize.meters.catalogue import Catalogue, Meter

TABLES: Final = ("sweep", "recommendation")
_HERE: Final = Path(__file__).resolve().parents[1] / "templates"


@dataclass(frozen=True)
class PromisedMeter:
    """The meter that the pilot sweep recommended for an account."""

    meter_type: str
    size_in: float
    grade: str

    def of(self, catalogue: Catalogue) -> Meter:
        """The catalog's entry.

        Raises
        ------
        KeyError
            If the catalog does not hold the meter.
        """
        for meter in catalogue.meters:
            if (meter.meter_type, meter.size_in, meter.grade) == (
                self.meter_type, self.size_in, self.grade,
            ):  # fmt: skip
                return meter
        raise KeyError(f"the catalog holds no {self.size_in:g} in {self.meter_type}")


def pilot_file(table: str) -> Path:
    """Rows of a table that the pilot sweep published."""
    return _HERE / f"pilot_{table}.parquet"


def promised_meters() -> dict[str, PromisedMeter]:
    """The meter that the pilot sweep recommended to put in, by account."""
    rows = pl.read_parquet(pilot_file("recommendation")).filter(pl.col("action") == "change")
    return {
        row["account_id"]: PromisedMeter(
            row["recommended_type"], row["recommended_size_in"], row["recommended_grade"]
        )
        for row in rows.iter_rows(named=True)
    }


def write_history(folder: Path) -> None:
    """Put the publication of the pilot sweep in the workspace, as a backup would."""
    published = folder / "workspace" / "published"
    published.mkdir(parents=True)
    with duckdb.connect(str(published / "results.duckdb")) as connection:
        for table in TABLES:
            connection.execute(
                f"create table {table} as from read_parquet(?)",
                [str(pilot_file(table))],
            )
