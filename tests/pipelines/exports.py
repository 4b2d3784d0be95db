"""Small exports for tests: a folder with a configuration, meters and reads."""

from __future__ import annotations

import gzip
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import yaml

from pipelines.configuration.load_settings import Loaded, load
from pipelines.stages.land.land import LandSummary, land
from pipelines.store.workspace import Workspace

METERS = """account_id,meter_id,meter_type,size_in,customer_class,multiplier,register_digits
A-1,M1,displacement,1,office,,
A-2,M2,turbine,2,restaurant,,
A-3,M3,displacement,0.75,retail,10,
A-4,M4,compound,3,apartments,,6
"""
TARIFF = """classes:
  default:
    tiers: [{usd_per_kgal: 5}]
"""


@dataclass
class Utility:
    """A made-up utility's folder."""

    folder: Path
    export: dict[str, Any]
    timezone: str = "America/Denver"
    more: dict[str, Any] | None = None

    def __post_init__(self) -> None:
        (self.folder / "exports").mkdir(parents=True, exist_ok=True)
        (self.folder / "meters.csv").write_text(METERS)
        (self.folder / "tariff.yaml").write_text(TARIFF)

    @property
    def loaded(self) -> Loaded:
        """The configuration, written and read anew."""
        config = {
            "utility": "Testwater",
            "timezone": self.timezone,
            "exports": [{"name": "main", "path": "exports/*", **self.export}],
            "buckets": 2,
            **(self.more or {}),
        }
        path = self.folder / "sweep.yaml"
        path.write_text(yaml.safe_dump(config))
        return load(path)

    @property
    def workspace(self) -> Workspace:
        """Where its state lies."""
        return Workspace(self.loaded.workspace_root)

    def write(self, name: str, content: str | bytes) -> Path:
        """An export file; `.gz` packs it."""
        path = self.folder / "exports" / name
        data = content.encode() if isinstance(content, str) else content
        path.write_bytes(gzip.compress(data, mtime=0) if name.endswith(".gz") else data)
        return path

    def land(self) -> LandSummary:
        """Land what is new."""
        return land(self.loaded, self.workspace)

    def lake(self, kind: str = "interval") -> list[dict[str, Any]]:
        """Every read of the lake, in order of meter and time."""
        time = "start_at" if kind == "interval" else "read_at"
        files = sorted(self.workspace.root.glob(f"lake/{kind}_read/*/*/*.parquet"))
        if not files:
            return []
        return rows(
            "select *, parse_filename(filename, true) as file_hash from read_parquet(?, "
            f"filename = true, hive_partitioning = false) order by meter_id, {time}, "
            "landed_seq, source_line",
            [[str(f) for f in files]],
        )

    def rejected(self) -> list[dict[str, Any]]:
        """Every refused row."""
        files = sorted(self.workspace.rejected.glob("*.parquet"))
        if not files:
            return []
        return rows(
            "select * from read_parquet(?) order by source_file, source_line",
            [[str(f) for f in files]],
        )

    def ledger(self, query: str) -> list[dict[str, Any]]:
        """A query on the working database."""
        return rows(query, database=self.workspace.database)


def rows(
    query: str, parameters: list[Any] | None = None, *, database: Path | None = None
) -> list[dict[str, Any]]:
    """Rows of a query as dictionaries, times as naive UTC."""
    with duckdb.connect(str(database) if database else ":memory:") as connection:
        connection.execute("set TimeZone = 'UTC'")
        result = connection.execute(query, parameters or [])
        names = [d[0] for d in result.description or ()]
        return [
            {name: _naive(value) for name, value in zip(names, row, strict=True)}
            for row in result.fetchall()
        ]


def _naive(value: Any) -> Any:
    return value.replace(tzinfo=None) if getattr(value, "tzinfo", None) else value


def hourly(meter_id: str, day: str, volumes: Iterable[float | str]) -> str:
    """Lines of hourly reads of one meter, stamped at the end of the hour."""
    lines = []
    for hour, volume in enumerate(volumes, start=1):
        lines.append(f"{meter_id},{day} {hour:02d}:00,{volume},A")
    return "\n".join(lines) + "\n"


HEADER = "meter_id,interval_end,volume,quality\n"
