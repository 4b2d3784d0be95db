"""From the utility's YAML and CSV files to frozen settings; every refusal is one clear line."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any, Final, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import yaml
from pydantic import Field, ValidationError, field_validator, model_validator

from pipelines.store.object_store import copied_as, is_url
from pipelines.store.workspace import Workspace
from rightsize.errors import ConfigError
from rightsize.meter_types import MeterType
from rightsize.meters.uncertainty.wear import WearRate
from rightsize.settings import CUSTOMER_CLASSES, Settings, Tariff, Thresholds
from rightsize.units import UnitSystem, VolumeUnit

Layout = Literal["interval", "register", "wide", "espi"]
M = TypeVar("M", bound=Settings)
_URL: Final = r"^[a-z0-9+]+://.+"


class ExportSettings(Settings):
    """One source of reads."""

    name: str = Field(min_length=1, description="shown in messages and results; each its own")
    path: str = Field(
        description="file or glob, relative to the configuration; or a URL such as s3://..."
    )
    layout: Layout = Field("interval", description="how reads stand in the file; see *layouts*")
    unit: VolumeUnit = Field("gal", description="of its volumes or readings")
    interval_min: float = Field(
        60, gt=0, le=1440, description="length of an interval [min], where the file has none"
    )
    columns: dict[str, str] = Field(
        default_factory=dict, description="their column name for each of ours"
    )
    delimiter: str | None = Field(default=None, description="found by itself where not given")
    encoding: str = Field("utf-8", description="of the text, by any name that Python knows")
    decimal: Literal[".", ","] = Field(".", description="decimal sign of its numbers")
    thousands: Literal[",", ".", " ", "'"] | None = Field(
        default=None, description="separator between thousands, taken off where named"
    )
    stamp: Literal["end", "start"] = Field(
        "end", description="whether a time is the end or the start of its interval"
    )
    timezone: str | None = Field(
        default=None, description="of its wall times, where it differs from the utility's"
    )
    time_format: str | None = Field(default=None, description="strptime format of the stamps")
    quality_codes: dict[str, str] = Field(
        default_factory=dict, description="their quality code -> ours"
    )
    register_digits: int | None = Field(
        default=None, ge=3, le=12, description="dials of the registers; rollovers need them"
    )

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str | None) -> str | None:
        return None if value is None else known_zone(value)


class SweepSettings(Settings):
    """The whole configuration, with paths made absolute in `Loaded`."""

    utility: str = Field(min_length=1, description="its name, as pages show it")
    workspace: str = Field("./workspace", description="folder that holds all state")
    units: UnitSystem = Field("us", description="of results, pages and messages")
    timezone: str = Field("UTC", description="where the utility lies, such as America/Denver")
    exports: tuple[ExportSettings, ...] = Field(
        min_length=1, description="sources of reads, each as below"
    )
    meters: str = Field("meters.csv", description="the meter list")
    catalogue: str | None = Field(
        default=None, description="the shipped catalogue where not given"
    )
    tariff: str = Field("tariff.yaml", description="what water and meters are charged")
    thresholds: str | None = Field(
        default=None, description="limits that differ from the shipped ones"
    )
    priors: str | None = Field(
        default=None, description="class priors; the shipped ones if absent"
    )
    accuracy_tests: str | None = Field(
        default=None, description="tests of meters in service; curves as new if absent"
    )
    wear: dict[MeterType, WearRate] = Field(
        default_factory=dict, description="stated wear by type of meter; none if absent"
    )
    class_codes: dict[str, str] = Field(
        default_factory=dict, description="their customer class -> ours"
    )
    failed_suite: Literal["warn", "stop"] = Field(
        "warn", description="what a failed validation suite does to publication"
    )
    buckets: int | None = Field(
        default=None,
        ge=1,
        le=4096,
        description="parts of the fleet; fixed by the first landing; by its size if absent",
    )
    site_pages: int = Field(
        10, ge=0, le=5000, description="site pages made with each sweep, the best changes first"
    )
    keep_sweeps: int = Field(14, ge=2, description="newest sweeps kept in the results")
    keep_months: int = Field(
        36, ge=0, description="months of which the last sweep is kept beside them"
    )
    keep_detail_sweeps: int = Field(
        2, ge=1, description="newest sweeps of which candidate and flow_band are kept"
    )
    lake: str | None = Field(
        default=None,
        pattern=_URL,
        description="URL of an object store that holds lake and profiles; on disk if absent",
    )
    copy_results_to: str | None = Field(
        default=None,
        pattern=_URL,
        description="URL of an object store that gets a copy of each publication",
    )

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str) -> str:
        return known_zone(value)

    @field_validator("class_codes")
    @classmethod
    def _classes(cls, value: dict[str, str]) -> dict[str, str]:
        for code, name in value.items():
            if name not in CUSTOMER_CLASSES:
                allowed = ", ".join(CUSTOMER_CLASSES)
                raise ValueError(f"class_codes maps {code!r} to {name!r}; allowed: {allowed}")
        return value

    @model_validator(mode="after")
    def _names_differ(self) -> SweepSettings:
        names = [e.name for e in self.exports]
        if len(set(names)) != len(names):
            raise ValueError(f"exports must have different names; got {names}")
        return self

    def document(self) -> dict[str, Any]:
        """All that results may rest on, as JSON takes it: where the lake lies is left out."""
        return self.model_dump(mode="json", exclude={"lake"})


def known_zone(name: str) -> str:
    """The zone's name, if the time zone database holds it."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f"time zone {name!r} is not known; use a name such as America/Denver"
        ) from None
    return name


class Loaded(Settings):
    """A configuration that was read: settings and where its files are."""

    path: Path
    folder: Path
    settings: SweepSettings
    tariff: Tariff
    thresholds: Thresholds
    config_hash: str

    def file(self, relative: str) -> Path:
        """A path of the configuration, made absolute from its folder."""
        return (self.folder / relative).resolve()

    def export_pattern(self, export: ExportSettings) -> Path:
        """The file or glob of an export; of one in an object store, that of its copies."""
        if not is_url(export.path):
            return self.file(export.path)
        return copied_as(self.workspace_root / "fetched", export.path)

    @property
    def workspace_root(self) -> Path:
        """Where all state lies, what a store holds aside."""
        return self.file(self.settings.workspace)

    @property
    def workspace(self) -> Workspace:
        """The workspace, and where its lake lies."""
        return Workspace(self.workspace_root, self.settings.lake)


def read_yaml(path: Path) -> Any:
    """One YAML document.

    Raises
    ------
    ConfigError
        If the file is missing, unreadable or not YAML; the text names file and line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None
    try:
        return yaml.load(text, Loader=_UniqueKeyLoader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f" line {mark.line + 1}" if mark else ""
        problem = getattr(error, "problem", None) or "not YAML"
        raise ConfigError(f"{path}{where}: {problem}") from None


class _UniqueKeyLoader(yaml.SafeLoader):
    """Refuses a mapping that says one key twice: the first would be lost without a word."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen: set[Any] = set()
        for key_node, _ in node.value:
            key = self.construct_object(key_node, deep=True)
            if isinstance(key, str | int | float) and key in seen:
                raise yaml.constructor.ConstructorError(
                    None, None, f"key {key!r} stands twice", key_node.start_mark
                )
            seen.add(key)
        return super().construct_mapping(node, deep)


def read_model(path: Path, model: type[M]) -> M:
    """A YAML file as a settings model.

    Raises
    ------
    ConfigError
        One line a problem: file, where in it, what was wrong.
    """
    content = read_yaml(path)
    if not isinstance(content, dict):
        raise ConfigError(f"{path}: expected a mapping of keys, got {type(content).__name__}")
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise ConfigError(
            "\n".join(_plain(path, problem) for problem in error.errors())
        ) from None


def _plain(path: Path, problem: Any) -> str:
    where = ".".join(str(p) for p in problem["loc"])
    text = problem["msg"].removeprefix("Value error, ")
    if problem["type"] == "extra_forbidden":
        return f"{path}: {where}: key is not known"
    got = problem.get("input")
    shown = (
        ""
        if isinstance(got, dict | list | tuple) or problem["type"] == "missing"
        else f"; got {got!r}"
    )
    return f"{path}: {where + ': ' if where else ''}{text}{shown}"


def load(config: Path) -> Loaded:
    """Read the configuration, the tariff and the thresholds.

    Raises
    ------
    ConfigError
        If anything in them cannot be used.
    """
    path = config.resolve()
    if path.is_dir():
        raise ConfigError(f"{path} is a folder; name its configuration file, e.g. sweep.yaml")
    settings = read_model(path, SweepSettings)
    folder = path.parent
    tariff = read_model((folder / settings.tariff).resolve(), Tariff)
    thresholds = (
        read_model((folder / settings.thresholds).resolve(), Thresholds)
        if settings.thresholds
        else Thresholds.model_validate({})
    )
    parts = [
        settings.document(),
        tariff.model_dump(mode="json"),
        thresholds.model_dump(mode="json"),
    ]
    digest = hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()
    return Loaded(
        path=path,
        folder=folder,
        settings=settings,
        tariff=tariff,
        thresholds=thresholds,
        config_hash=digest[:16],
    )
