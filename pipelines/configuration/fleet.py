"""Basis of a sweep's verdicts, read once: meters, catalog, tariff, thresholds, priors."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipelines.configuration.installed_curves import stated_curves, with_curve_index
from pipelines.configuration.judged_by import JudgedBy, with_meter_index
from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_change_out_log import (
    NO_LOG,
    ChangeOutLog,
    load_change_out_log,
)
from pipelines.configuration.load_priors import load_priors
from pipelines.configuration.load_settings import Loaded
from pipelines.configuration.load_weather import Weather, load_weather
from pipelines.configuration.meter_list import Meters, meters_of
from pipelines.configuration.site_record import with_manifold
from pipelines.configuration.visits_file import meters_to_log
from pipelines.store.lake_partition import bucket_name
from rightsize.errors import ConfigError
from rightsize.recommend.rules.meter_rules import unknown_names


@dataclass(frozen=True)
class Fleet:
    """The meter list, the log of change-outs and the settings that accounts are judged by."""

    settings: JudgedBy
    meters: Meters
    catalogue_hash: str
    meters_hash: str
    meters_path: Path
    documents: dict[str, Any]
    log: ChangeOutLog
    weather: Weather | None  # None: no series is given


def load_fleet(loaded: Loaded) -> Fleet:
    """Read meters.csv, the catalog and the class priors of a configuration.

    Raises
    ------
    ConfigError
        If one of them cannot be used.
    """
    named = loaded.settings
    catalogue = load_catalogue(loaded.file(named.catalogue) if named.catalogue else None)
    if unknown := unknown_names(catalogue.meters, loaded.thresholds):
        raise ConfigError(
            f"{loaded.file(named.thresholds or 'thresholds')}: not in the catalog: "
            f"{', '.join(unknown)}; write type and size, such as 'displacement 1'"
        )
    priors = load_priors(loaded.file(named.priors) if named.priors else None)
    meters_path = loaded.file(named.meters)
    meters = meters_of(loaded)
    installed, tests = stated_curves(loaded, catalogue, meters.frame)
    settings = JudgedBy(
        catalogue=catalogue,
        tariff=loaded.tariff,
        thresholds=loaded.thresholds,
        priors=priors,
        installed=installed,
        units=named.units,
        to_log=meters_to_log(loaded.file(named.campaign), meters.frame)
        if named.campaign
        else None,
    )
    log = NO_LOG
    if named.change_out_log:
        log_path = loaded.file(named.change_out_log.path)
        log = load_change_out_log(log_path, named.change_out_log, meters.frame)
    weather = load_weather(loaded.file(named.weather)) if named.weather else None
    documents = {
        "config": named.document(),
        "tariff": loaded.tariff.model_dump(mode="json"),
        "thresholds": loaded.thresholds.model_dump(mode="json"),
        "catalogue": [dataclasses.asdict(m) for m in catalogue.meters],
        "priors": dataclasses.asdict(priors),
        **({} if tests is None else {"accuracy_tests": tests}),
        **({} if settings.to_log is None else {"campaign": sorted(settings.to_log)}),
        **({"change_out_log": log.document()} if log.row_count else {}),
    }
    return Fleet(
        settings=settings,
        meters=meters,
        catalogue_hash=_digest(
            [
                documents[name]
                for name in ("catalogue", "priors", "accuracy_tests", "campaign")
                if name in documents
            ]
        ),
        meters_hash=_meters_hash(meters_path, log.digest, weather.digest if weather else ""),
        meters_path=meters_path,
        documents=documents,
        log=log,
        weather=weather,
    )


def in_service(fleet: Fleet, *, as_of: dt.date) -> pl.DataFrame:
    """The meters in service, with their row in the catalog and their age [years].

    Age counts to the last day of the reads, not to today: the same input gives the same
    result whenever it is run.

    Raises
    ------
    ConfigError
        If there is none.
    """
    if fleet.meters.frame["removed_on"].null_count() == 0:
        raise ConfigError(
            f"{fleet.meters_path}: no meter in service: all "
            f"{fleet.meters.frame.height} have a removed_on date"
        )
    current = fleet.meters.frame.filter(pl.col("removed_on").is_null()).with_columns(
        age_years=(pl.lit(as_of) - pl.col("installed_on")).dt.total_days() / 365.25,
    )
    judged = fleet.settings
    placed = with_meter_index(current, judged.catalogue, units=judged.units).sort("meter_id")
    return with_curve_index(with_manifold(placed), fleet.settings.installed)


def by_bucket(service: pl.DataFrame, buckets: int) -> dict[str, pl.DataFrame]:
    """The meters in service of each bucket, by the lake's rule."""
    with duckdb.connect() as connection:
        connection.register("service", service.select("meter_id").to_arrow())
        placed = connection.sql(
            "select meter_id, (md5_number_lower(meter_id) % $buckets)::integer as bucket"
            " from service",
            params={"buckets": buckets},
        ).pl()
    joined = service.join(placed, on="meter_id").sort("meter_id")
    return {
        bucket_name(number): joined.filter(pl.col("bucket") == number).drop("bucket")
        for number in sorted(joined["bucket"].unique())
    }


def _meters_hash(meters_path: Path, *others: str) -> str:
    """Hash of the meter list, and of what is read beside it, if anything is."""
    own = _file_digest(meters_path)
    named = [digest for digest in others if digest]
    return _digest([own, *named]) if named else own


def _digest(content: Any) -> str:
    text = json.dumps(content, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _file_digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]
