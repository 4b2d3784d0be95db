"""The catalogue the demo buys from."""

from __future__ import annotations

from pathlib import Path

from pipelines.load_settings import read_yaml
from rightsize.meters.catalogue import Catalogue, Meter


def read_catalogue(path: Path) -> Catalogue:
    """Meters of a catalogue file."""
    rows = read_yaml(path)
    return Catalogue(
        tuple(
            Meter(**{**row, "registration": tuple((q, a) for q, a in row["registration"])})
            for row in rows
        )
    )
