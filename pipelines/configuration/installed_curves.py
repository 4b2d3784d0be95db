"""Accuracy curves of installed meters, from a utility's accuracy tests and stated wear."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from pipelines.configuration.judged_by import with_meter_index
from pipelines.configuration.load_accuracy_tests import load_accuracy_tests
from pipelines.configuration.load_settings import Loaded
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.uncertainty.installed_curves import InstalledCurves, installed_curves
from rightsize.meters.uncertainty.shrinkage import (
    AGE_BANDS_YEARS,
    AccuracyTests,
    ShrunkCurves,
    shrunk_curves,
)
from rightsize.meters.uncertainty.wear import Wear

_LOG = logging.getLogger(__name__)
_SHOWN: Final = 10


def stated_curves(
    loaded: Loaded, catalogue: Catalogue, listed: pl.DataFrame
) -> tuple[InstalledCurves | None, dict[str, Any] | None]:
    """Curves of installed meters, and their sources for the record of the sweep.

    Both None where the configuration has neither a test nor `wear`: then every installed meter
    has the catalog's curve.

    Raises
    ------
    ConfigError
        If the tests cannot be used.
    """
    named = loaded.settings
    if named.accuracy_tests is None and not named.wear:
        return None, None
    placed = with_meter_index(listed, catalogue, units="us")
    tested, about = None, {}
    if named.accuracy_tests is not None:
        path = loaded.file(named.accuracy_tests)
        tests = load_accuracy_tests(path, catalogue)
        if not tests.meter_id and not named.wear:  # a file without a test yet
            return None, None
        for note in _strays(path, tests, catalogue, placed):
            _LOG.warning("%s", note)
        tested = shrunk_curves(tests, catalogue.meters)
        about = _about(path, tests, tested, catalogue)
    wear: dict[str, Wear] = {kind: rate.wear() for kind, rate in named.wear.items()}
    rows = placed["meter_index"].drop_nulls().unique().to_list()
    return installed_curves(catalogue.meters, tested, wear, rows), about


def with_curve_index(service: pl.DataFrame, curves: InstalledCurves | None) -> pl.DataFrame:
    """The meters in service with the row of their own curve; -1 where the catalog's applies."""
    if curves is None:
        return service.with_columns(curve_index=pl.lit(-1, dtype=pl.Int64))
    place = curves.place(
        service["meter_id"].to_list(),
        service["meter_index"].fill_null(-1).to_numpy().astype(np.int64),
        service["age_years"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
    )
    return service.with_columns(curve_index=pl.Series(place, dtype=pl.Int64))


def _strays(
    path: Path, tests: AccuracyTests, catalogue: Catalogue, placed: pl.DataFrame
) -> Iterator[str]:
    """Tested meters that are not in the meter list, or listed as another meter."""
    named = ["meter_id", "meter_index"]
    tested = pl.DataFrame(
        {"meter_id": list(tests.meter_id), "tested_index": tests.meter_index}
    ).unique(maintain_order=True)
    both = tested.join(placed.select(named).unique(), on="meter_id", how="left")
    unlisted = both.filter(pl.col("meter_index").is_null())["meter_id"].unique().sort()
    if len(unlisted):
        yield (
            f"{path}: tested meters not in the meter list, or not rated there: "
            f"{len(unlisted):,}, e.g. {', '.join(unlisted[:3])}; "
            "used for their type, size and age only"
        )
    other = both.filter(pl.col("meter_index") != pl.col("tested_index"))
    for name, tested_row, row in other.head(_SHOWN).iter_rows():
        yield (
            f"{path}: {name} was tested as a {catalogue.meters[tested_row].label} and is "
            f"listed as a {catalogue.meters[row].label}; its test is not used for this meter"
        )


def _about(
    path: Path, tests: AccuracyTests, tested: ShrunkCurves, catalogue: Catalogue
) -> dict[str, Any]:
    """Test results of each group, in percent at the three knots of its curve."""
    groups = [
        {
            "meter": catalogue.meters[row].label,
            "from_age_years": AGE_BANDS_YEARS[band],
            "tested": tested.group_count[row, band],
            "error_pct": [round(100 * float(e), 3) for e in error],
            "spread_pct": [
                round(100 * float(v) ** 0.5, 3)
                for v in np.diagonal(tested.group_covariance[row, band])
            ],
        }
        for (row, band), error in sorted(tested.group_error.items())
    ]
    return {
        "meters": len(tested.meter_id),
        "points": len(tests.meter_id),
        "content_hash": hashlib.sha256(path.read_bytes()).hexdigest()[:16],
        "groups": groups,
    }
