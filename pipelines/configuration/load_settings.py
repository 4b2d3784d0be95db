"""Settings from the utility's YAML and CSV files; every error is one clear line."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from pipelines.configuration.named_things import (
    known_encoding,
    known_zone,
    one_delimiter,
)
from pipelines.configuration.yaml_file import MOST_SHOWN, read_yaml, short
from pipelines.store.file_stamp import ExportPlace
from pipelines.store.object_store import copied_as, is_url, refuse_store
from pipelines.store.usable_path import usable_path
from pipelines.store.workspace import Workspace
from rightsize.contracts.change_outs.job_log import LOGGED_KINDS
from rightsize.errors import ConfigError
from rightsize.meter_types import METER_TYPES, MeterType
from rightsize.meters.testing_settings import MeterTestSettings
from rightsize.meters.uncertainty.wear import WearRate
from rightsize.settings import CUSTOMER_CLASSES, Settings, Tariff, Thresholds
from rightsize.units import UnitSystem, VolumeUnit

Layout = Literal["interval", "register", "wide", "espi"]
M = TypeVar("M", bound=Settings)


def _texts_of_codes(value: Any) -> Any:
    """Codes that YAML takes for whole numbers are texts all the same."""
    if not isinstance(value, dict):
        return value
    return {str(k) if type(k) in (int, float) else k: v for k, v in value.items()}


Delimiter = Annotated[str, AfterValidator(one_delimiter)]
Encoding = Annotated[str, AfterValidator(known_encoding)]
Codes = Annotated[dict[str, str], BeforeValidator(_texts_of_codes)]
_NO_RESULT_RESTS_ON: Final = (
    "lake",
    "names_on_pages",
    "notify",
    "results_group",
)
_URL: Final = r"^[a-z0-9+]+://[^*?\[\]]+$"


def _mapped(key: str, codes: dict[str, str], allowed: tuple[str, ...]) -> dict[str, str]:
    """Codes of the utility, if each stands for one of ours."""
    for code, name in codes.items():
        if name not in allowed:
            raise ValueError(f"{key} maps {code!r} to {name!r}; allowed: {', '.join(allowed)}")
    return codes


class ExportSettings(Settings):
    """One source of reads."""

    name: str = Field(min_length=1, description="shown in messages and results; must be unique")
    path: str = Field(
        description="file, folder or glob, relative to the configuration, or a URL such as"
        " s3://..."
    )
    layout: Layout = Field("interval", description="how the file is organized; see *layouts*")
    unit: VolumeUnit = Field("gal", description="unit of its volumes or readings")
    interval_min: float = Field(
        60, gt=0, le=1440, description="interval length [min] where the file does not give it"
    )
    columns: dict[str, str] = Field(
        default_factory=dict, description="the file's column name for each of ours"
    )
    delimiter: Delimiter | None = Field(default=None, description="detected if absent")
    encoding: Encoding = Field(
        "utf-8", description="text encoding, by any name that Python knows"
    )
    skip_lines: int = Field(
        0, ge=0, le=1000, description="lines above the header, such as a report's title"
    )
    decimal: Literal[".", ","] = Field(".", description="decimal point of its numbers")
    thousands: Literal[",", ".", " ", "'"] | None = Field(
        default=None, description="thousands separator; removed only if named"
    )
    stamp: Literal["end", "start"] = Field(
        "end", description="whether a time stamp marks the end or the start of its interval"
    )
    timezone: str | None = Field(
        default=None, description="time zone of its local times, if not the utility's"
    )
    time_format: str | None = Field(
        default=None, description="strptime format of the time stamps"
    )
    quality_codes: Codes = Field(
        default_factory=dict, description="the file's quality code -> ours"
    )
    register_digits: int | None = Field(
        default=None, ge=3, le=12, description="register digits; needed to detect rollovers"
    )
    supersedes: tuple[str, ...] = Field(
        default=(), description="names of exports whose reads these replace, of any quality"
    )

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str | None) -> str | None:
        return None if value is None else known_zone(value)

    @model_validator(mode="after")
    def _separators_differ(self) -> ExportSettings:
        if self.thousands == self.decimal:
            raise ValueError(f"decimal and thousands must differ; got {self.decimal!r} twice")
        return self


class MeterListSettings(Settings):
    """How the meter list is written, where it is not as ours."""

    columns: dict[str, str] = Field(
        default_factory=dict, description="their column name for each of ours"
    )
    type_codes: Codes = Field(default_factory=dict, description="their meter type -> ours")
    date_format: str | None = Field(
        default=None, description="strptime format of its dates, such as `%m/%d/%Y`"
    )
    delimiter: Delimiter | None = Field(
        default=None, description="found by itself where not given"
    )
    encoding: Encoding = Field(
        "utf-8", description="of the text, by any name that Python knows"
    )
    skip_lines: int = Field(
        0, ge=0, le=1000, description="lines above the header, such as a report's title"
    )

    @field_validator("type_codes")
    @classmethod
    def _types(cls, value: dict[str, str]) -> dict[str, str]:
        return _mapped("type_codes", value, METER_TYPES)


class ChangeOutLogSettings(Settings):
    """The log of change-outs, and how it is written where not as ours."""

    path: str = Field(min_length=1, description="a CSV file; see *layouts*")
    columns: dict[str, str] = Field(
        default_factory=dict, description="their column name for each of ours"
    )
    what_codes: Codes = Field(default_factory=dict, description="their job code -> ours")
    date_format: str | None = Field(
        default=None, description="strptime format of its dates, such as `%m/%d/%Y`"
    )
    delimiter: Delimiter | None = Field(default=None, description="detected if absent")
    encoding: Encoding = Field(
        "utf-8", description="text encoding, by any name that Python knows"
    )

    @field_validator("what_codes")
    @classmethod
    def _jobs(cls, value: dict[str, str]) -> dict[str, str]:
        return _mapped("what_codes", value, LOGGED_KINDS)


FlowUnit = Literal["gpm", "L/min", "L/s", "m3/h"]


class FlowLogSettings(Settings):
    """Files that come back from flow loggers, and how they are written where not as ours."""

    path: str = Field(
        min_length=1,
        description="file, folder or glob, relative to the configuration; one logger a file. No"
        " file yet is no error",
    )
    columns: dict[str, str] = Field(
        default_factory=dict,
        description="their column name for each of ours: `at`, and one of `pulses`, `flow`",
    )
    key_names: dict[str, str] = Field(
        default_factory=dict,
        description="their word for each of our keys above the columns; see *logs come back*",
    )
    flow_unit: FlowUnit = Field("gpm", description="unit of the column `flow`")
    pulse_gal: float | None = Field(
        default=None, gt=0, le=10_000, description="pulse size [gal] where a file does not say"
    )
    measures: Literal["meter", "pipe"] | None = Field(
        default=None,
        description="`meter`: pulses of the installed meter; `pipe`: a sensor of its own, such"
        " as a clamp-on. `meter` for pulses and `pipe` for flow if absent",
    )
    error_pct: float = Field(
        2.0,
        ge=0.1,
        le=20,
        description="accuracy of a `pipe` sensor at these flows, half a 90 % range",
    )
    stamp: Literal["end", "start"] = Field(
        "end", description="whether a time stamp marks the end or the start of its sample"
    )
    timezone: str | None = Field(
        default=None, description="time zone of local times, if not the utility's"
    )
    time_format: str | None = Field(
        default=None, description="strptime format of the times; ISO 8601 if absent"
    )
    delimiter: Delimiter | None = Field(default=None, description="detected if absent")
    encoding: Encoding = Field(
        "utf-8", description="text encoding, by any name that Python knows"
    )

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str | None) -> str | None:
        return None if value is None else known_zone(value)


class SweepSettings(Settings):
    """The whole configuration, with paths made absolute in `Loaded`."""

    utility: str = Field(min_length=1, description="name shown on pages")
    workspace: str = Field("./workspace", description="folder for all state and results")
    units: UnitSystem = Field("us", description="units of results, pages and messages")
    timezone: str = Field("UTC", description="the utility's time zone, such as America/Denver")
    exports: tuple[ExportSettings, ...] = Field(
        min_length=1, description="sources of reads, each as below"
    )
    meters: str = Field("meters.csv", description="the meter list")
    meter_list: MeterListSettings = Field(
        MeterListSettings.model_validate({}),
        description="how the meter list is written, as below",
    )
    change_out_log: ChangeOutLogSettings | None = Field(
        default=None,
        description="log of change-outs, repairs and tests, as below; the meter list alone if"
        " absent",
    )
    flow_logs: FlowLogSettings | None = Field(
        default=None,
        description="files of flow loggers, as below; reads alone if absent",
    )
    campaign: str | None = Field(
        default=None,
        description="visits of the campaign under way, as `rightsize campaign` writes them"
        " (`workspace/campaign/visits.csv`): accounts that it does not log are decided on what"
        " is known, see *what to learn next*; any may be logged first if absent",
    )
    correct_gains: bool = Field(
        False,
        description="correct promised gains by what came of past change-outs, once 20 of them"
        " have both a promise and a gain; see *did the gain come*",
    )
    weather: str | None = Field(
        default=None,
        description="weather series by day or month for judging change-outs; see *layouts*",
    )
    catalogue: str | None = Field(
        default=None, description="meter catalog; the shipped one if absent"
    )
    tariff: str = Field("tariff.yaml", description="water and sewer rates and base charges")
    thresholds: str | None = Field(
        default=None, description="thresholds that differ from the defaults"
    )
    priors: str | None = Field(
        default=None, description="class priors; the shipped ones if absent"
    )
    accuracy_tests: str | None = Field(
        default=None,
        description="accuracy tests of installed meters; new-meter curves if absent",
    )
    wear: dict[MeterType, WearRate] = Field(
        default_factory=dict, description="stated wear by meter type; none if absent"
    )
    meter_tests: MeterTestSettings = Field(
        MeterTestSettings.model_validate({}),
        description="rules, costs and sample plan of the test program, as below",
    )
    class_codes: Codes = Field(
        default_factory=dict, description="the utility's customer class -> ours"
    )
    notify: str | None = Field(
        default=None,
        min_length=1,
        description="alerts if a sweep fails, a suite fails or the flagged list changes: a URL"
        " (JSON by POST) or a command (JSON on standard input); `--notify` overrides it",
    )
    failed_suite: Literal["warn", "stop"] = Field(
        "warn",
        description="what to do if a validation suite fails: publish with a warning, or stop",
    )
    decide_on: Literal["all_reads", "full_months"] = Field(
        "all_reads",
        description="reads that flows, verdicts and meters rest on: all, or those before the"
        " newest month; then a night assesses only buckets of accounts whose older reads, facts"
        " or rates changed. Findings on reads, volumes and change-outs use all reads in any"
        " case",
    )
    buckets: int | None = Field(
        default=None,
        ge=1,
        le=4096,
        description="partitions of the fleet; fixed at the first landing; set by fleet size if"
        " absent",
    )
    site_pages: int = Field(
        10,
        ge=0,
        le=5000,
        description="site pages written by each sweep, best change-outs first",
    )
    names_on_pages: bool = Field(
        True,
        description="whether pages show the customer's name and address; if not, the account"
        " only. The published tables keep both",
    )
    keep_sweeps: int = Field(
        14, ge=2, description="number of latest sweeps kept in the results"
    )
    keep_months: int = Field(
        36, ge=0, description="months for which the last sweep is also kept"
    )
    keep_detail_sweeps: int = Field(
        2,
        ge=1,
        description="number of latest sweeps for which candidate and flow_band are kept",
    )
    keep_reads_months: int | None = Field(
        default=None,
        ge=1,
        description="months of reads kept, the newest included; each sweep deletes older ones"
        " from the lake and says so. At least two more than `window_months`; all if absent",
    )
    lake: str | None = Field(
        default=None,
        pattern=_URL,
        description="object store URL for the lake and profiles; on disk if absent",
    )
    copy_results_to: str | None = Field(
        default=None,
        pattern=_URL,
        description="object store URL that receives a copy of each publication, customers'"
        " names and addresses included",
    )
    results_group: str | None = Field(
        default=None,
        min_length=1,
        description="group of this host that may read the published results and pages; only"
        " the user who runs rightsize if absent",
    )

    @field_validator("timezone")
    @classmethod
    def _zone(cls, value: str) -> str:
        return known_zone(value)

    @field_validator("class_codes")
    @classmethod
    def _classes(cls, value: dict[str, str]) -> dict[str, str]:
        return _mapped("class_codes", value, CUSTOMER_CLASSES)

    @model_validator(mode="after")
    def _names_differ(self) -> SweepSettings:
        names = [e.name for e in self.exports]
        if len(set(names)) != len(names):
            raise ValueError(f"each export needs its own name; got {names}")
        for export in self.exports:
            unknown = [n for n in export.supersedes if n not in names]
            if unknown:
                raise ValueError(
                    f"export {export.name!r} supersedes an unknown export {unknown[0]!r}; "
                    f"exports: {', '.join(names)}"
                )
            self.tier(export.name)
        return self

    def tier(self, name: str, *, above: tuple[str, ...] = ()) -> int:
        """Number of exports below this one, each superseded by the next.

        Raises
        ------
        ValueError
            If an export supersedes itself, directly or through others.
        """
        if name in above:
            raise ValueError(f"export {name!r} supersedes itself")
        below = next(e.supersedes for e in self.exports if e.name == name)
        return max((self.tier(n, above=(*above, name)) + 1 for n in below), default=0)

    def document(self) -> dict[str, Any]:
        """Every setting that affects results, as JSON."""
        return self.model_dump(mode="json", exclude=set(_NO_RESULT_RESTS_ON))


class Loaded(Settings):
    """A loaded configuration: the settings and the location of their files."""

    path: Path
    folder: Path
    settings: SweepSettings
    tariff: Tariff
    thresholds: Thresholds
    config_hash: str

    def file(self, relative: str) -> Path:
        """A path from the configuration, made absolute."""
        return usable_path(self.folder / relative)

    def export_place(self, export: ExportSettings) -> ExportPlace:
        """Location of an export's files; for an object store, of its local copies."""
        if not is_url(export.path):
            return ExportPlace.of(self.folder, export.path)
        return copied_as(self.workspace_root / "fetched", export.path)

    @property
    def workspace_root(self) -> Path:
        """The folder of all state, except what an object store holds."""
        return self.file(self.settings.workspace)

    @property
    def workspace(self) -> Workspace:
        """The workspace, and the location of its lake."""
        root, settings = self.workspace_root, self.settings
        beside = (self.path, self.file(settings.meters), *self._export_folders())
        is_shared = any(path.is_relative_to(root) for path in beside)
        return Workspace(root, settings.lake, settings.results_group, is_shared)

    def _export_folders(self) -> Iterator[Path]:
        for export in self.settings.exports:
            if not is_url(export.path):
                yield usable_path(self.folder / export.path.partition("*")[0])


def read_model(path: Path, model: type[M]) -> M:
    """A YAML file as a settings model.

    Raises
    ------
    ConfigError
        One line per problem: file, key, what is wrong.
    """
    content = read_yaml(path)
    if not isinstance(content, dict):
        raise ConfigError(f"{path}: expected keys and values, got {type(content).__name__}")
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise ConfigError(
            "\n".join(_plain(path, problem) for problem in error.errors())
        ) from None


def _plain(path: Path, problem: Any) -> str:
    where = ".".join(str(p)[:MOST_SHOWN] for p in problem["loc"])
    text = problem["msg"].removeprefix("Value error, ")
    if problem["type"] == "extra_forbidden":
        return f"{path}: {where}: unknown key"
    got = problem.get("input")
    shown = (
        ""
        if isinstance(got, dict | list | tuple) or problem["type"] == "missing"
        else f"; got {short(got)}"
    )
    is_text = problem["type"] == "string_type" and isinstance(got, bool | int | float)
    quote = "; YAML does not read this as text: quote it" if is_text else ""
    return f"{path}: {where + ': ' if where else ''}{text}{shown}{quote}"


def _refuse_short_memory(path: Path, settings: SweepSettings, thresholds: Thresholds) -> None:
    """A verdict rests on a year, the month under way, and that month a year before."""
    least, kept = math.ceil(thresholds.window_months) + 2, settings.keep_reads_months
    if kept is not None and kept < least:
        raise ConfigError(
            f"{path}: keep_reads_months: a verdict needs {least} months; got {kept}"
        )


def load(config: Path) -> Loaded:
    """Read the configuration, the tariff and the thresholds.

    Raises
    ------
    ConfigError
        If any value is invalid.
    """
    path = usable_path(config)
    if path.is_dir():
        raise ConfigError(
            f"{path} is a folder; give its configuration file, e.g. {path}/sweep.yaml"
        )
    settings = read_model(path, SweepSettings)
    folder = path.parent
    if "?" in str(
        usable_path(folder / settings.workspace)
    ):  # DuckDB would read the rest as options
        raise ConfigError(f"{path}: workspace: its path must not contain a '?'")
    named = [settings.lake, settings.copy_results_to, *(e.path for e in settings.exports)]
    for url in named:
        if url is not None and is_url(url):
            refuse_store(url)
    tariff = read_model(usable_path(folder / settings.tariff), Tariff)
    thresholds = (
        read_model(usable_path(folder / settings.thresholds), Thresholds)
        if settings.thresholds
        else Thresholds.model_validate({})
    )
    _refuse_short_memory(path, settings, thresholds)
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
