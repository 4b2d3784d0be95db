"""Meters from a catalog file; every error names file, entry, field, value, allowed values."""

from __future__ import annotations

import logging
from functools import cache
from pathlib import Path
from typing import Any, Final

import yaml
from pydantic import ValidationError

from pipelines.configuration.load_settings import read_model
from pipelines.configuration.yaml_file import read_yaml, short
from pipelines.store.resources import config_path
from rightsize.errors import CatalogueError
from rightsize.meter_types import METER_TYPES
from rightsize.meters.build.curves import CurveRules
from rightsize.meters.build.entry import MeterEntry
from rightsize.meters.build.from_entry import build_meter
from rightsize.meters.build.ratings import Ratings
from rightsize.meters.build.validation import fleet_problems, meter_problems
from rightsize.meters.catalogue import STANDARD_GRADE, Catalogue, Meter, UnratedMeter
from rightsize.meters.service_tests import ServiceRules

SHIPPED: Final = "catalogue.yaml"
_SIZE_MAX_IN: Final = 100.0  # ours: no meter is as large
_LOG = logging.getLogger(__name__)


@cache
def load_ratings() -> Ratings:
    """Shipped ratings by standard."""
    return read_model(config_path("meters/ratings.yaml"), Ratings)


@cache
def load_curve_rules() -> CurveRules:
    """Shipped rules of generic curves."""
    return read_model(config_path("meters/curves.yaml"), CurveRules)


@cache
def load_service_rules() -> ServiceRules:
    """Shipped test flows and limits of authorities."""
    return read_model(config_path("meters/test_rules.yaml"), ServiceRules)


def load_catalogue(path: Path | None = None) -> Catalogue:
    """The meters of a catalog file; the shipped one if `path` is None.

    Fire-service entries and meters whose ratings are not shipped are held as
    `Catalogue.unrated`: known by type and size, never candidates.

    Raises
    ------
    CatalogueError
        One line a problem: file, entry, field, what was allowed and got.
    ConfigError
        If the file cannot be read or is not YAML.
    """
    file = config_path(SHIPPED) if path is None else path
    entries = _entries(file)
    problems: list[str] = []
    meters: list[Meter] = []
    places: list[str] = []
    fire: list[UnratedMeter] = []
    for number, raw in enumerate(entries, start=1):
        where = f"{file}: entry {number}{_named(raw)}"
        try:
            meter = _meter(raw)
        except ValidationError as error:
            problems += [f"{where}: {_plain(p)}" for p in error.errors()]
        except CatalogueError as error:
            problems.append(f"{where}: {error}")
        else:
            if isinstance(meter, UnratedMeter):
                fire.append(meter)
                continue
            override = bool(raw.get("size_override"))
            problems += [f"{where}: {p}" for p in meter_problems(meter, size_override=override)]
            meters.append(meter)
            places.append(where)
    problems += [f"{places[row]}: {text}" for row, text in fleet_problems(meters)]
    if problems:
        raise CatalogueError("\n".join(problems))
    for where, meter in zip(places, meters, strict=True):
        for note in meter.notes:
            _LOG.warning("%s: %s", where, note)
    return _catalogue(meters, fire)


def catalogue_yaml(catalogue: Catalogue) -> str:
    """The rated meters as a catalog file with every number written out."""
    entries = [_written_out(meter) for meter in catalogue.meters]
    return yaml.safe_dump(entries, sort_keys=False, width=88, default_flow_style=None)


def _entries(file: Path) -> list[Any]:
    content = read_yaml(file)
    if not isinstance(content, list) or not content:
        raise CatalogueError(
            f"{file}: expected a list of meters, got "
            f"{'an empty list' if content == [] else type(content).__name__}"
        )
    return content


def _meter(raw: Any) -> Meter | UnratedMeter:
    if isinstance(raw, dict) and raw.get("meter_type") == "fire_service":
        return _fire_meter(raw)
    return build_meter(MeterEntry.model_validate(raw), load_ratings(), load_curve_rules())


def _fire_meter(raw: dict[str, Any]) -> UnratedMeter:
    """A fire-service entry needs only a size."""
    size = raw.get("size_in")
    if (
        isinstance(size, bool)
        or not isinstance(size, int | float)
        or not 0 < size <= _SIZE_MAX_IN
    ):
        raise CatalogueError(
            f"size_in: must be above 0 and at most {_SIZE_MAX_IN:g}; got {short(size)}"
        )
    why = next(u.why for u in load_ratings().unrated() if u.meter_type == "fire_service")
    return UnratedMeter("fire_service", float(size), "AWWA C703", why)


def _catalogue(meters: list[Meter], fire: list[UnratedMeter]) -> Catalogue:
    rated = {_key(m) for m in meters}
    unrated = {_key(u): u for u in (*fire, *load_ratings().unrated()) if _key(u) not in rated}
    return Catalogue(
        tuple(sorted(meters, key=_rank)), tuple(sorted(unrated.values(), key=_rank))
    )


def _key(meter: Meter | UnratedMeter) -> tuple[str, float, str]:
    return meter.meter_type, round(meter.size_in, 6), meter.grade


def _rank(meter: Meter | UnratedMeter) -> tuple[int, float, bool, str]:
    order = METER_TYPES.index(meter.meter_type)
    return order, meter.size_in, meter.grade != STANDARD_GRADE, meter.grade


def _named(raw: Any) -> str:
    if not isinstance(raw, dict) or "meter_type" not in raw:
        return ""
    size = f"{raw['size_in']} in " if "size_in" in raw else ""
    size = f"{raw['size_mm']} mm " if "size_mm" in raw else size
    return f" ({size}{raw['meter_type']})"


def _plain(problem: Any) -> str:
    where = ".".join(str(p) for p in problem["loc"])
    text = problem["msg"].removeprefix("Value error, ")
    if problem["type"] == "extra_forbidden":
        return f"{where}: unknown key; allowed: {', '.join(MeterEntry.model_fields)}"
    got = problem.get("input")
    is_shown = problem["type"] != "missing" and not isinstance(got, dict | list | tuple)
    return f"{where + ': ' if where else ''}{text}{f'; got {short(got)}' if is_shown else ''}"


def _written_out(meter: Meter) -> dict[str, Any]:
    names = (
        "meter_type", "size_in", "grade", "starting_gpm", "min_test_gpm", "normal_min_gpm",
        "continuous_gpm", "smoc_gpm", "registration", "head_loss_psi_at_smoc", "low_limits",
        "normal_limits", "price_usd", "install_usd", "upkeep_usd_per_year", "life_years",
        "source", "is_lead_free",
    )  # fmt: skip
    entry = {name: getattr(meter, name) for name in names}
    entry["registration"] = [list(point) for point in meter.registration]
    entry["low_limits"] = list(meter.low_limits)
    entry["normal_limits"] = list(meter.normal_limits)
    if meter.grade == STANDARD_GRADE:
        del entry["grade"]
    for name in ("lay_length_in", "end_connection", "needs_power"):
        if said := getattr(meter, name):
            entry[name] = said
    return entry
