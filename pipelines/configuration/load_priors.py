"""Class priors from a file; every error is one clear line."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field, model_validator

from pipelines.configuration.load_settings import read_model
from pipelines.store.resources import config_path
from rightsize.inference.water_use.priors import (
    ClassPrior,
    Fixture,
    Priors,
    ServicePrior,
    SteadyPrior,
)
from rightsize.settings import CUSTOMER_CLASSES, Settings


class FixtureSettings(Settings):
    """One kind of use event."""

    flow_gpm: float = Field(gt=0, le=10_000)
    flow_factor: float = Field(ge=1.05, le=20)
    duration_min: float = Field(gt=0, le=1440)
    duration_factor: float = Field(ge=1.05, le=20)
    one_at_a_time: float = Field(ge=0, le=1)
    source: str = Field(min_length=1)


class SteadySettings(Settings):
    """Flow that never stops."""

    share: float = Field(gt=0, lt=1)
    flow_gpm: float = Field(gt=0, le=1000)
    factor: float = Field(ge=1.1, le=100)


class ClassSettings(Settings):
    """The mix of one class."""

    shares: dict[str, float] = Field(default_factory=dict)
    blend: tuple[str, ...] = ()
    present: dict[str, float] = Field(default_factory=dict)
    crowding: float = Field(1.3, ge=1.0, le=10.0)
    steady: SteadySettings


class ServiceSettings(Settings):
    """Pressure and line of a service of which nothing is recorded."""

    available_psi: float = Field(60.0, gt=0, le=250)
    available_factor: float = Field(1.4, ge=1.05, le=5)
    residual_psi: float = Field(20.0, ge=0, le=100)
    line_length_ft: float = Field(50.0, gt=0, le=5000)
    line_length_factor: float = Field(2.5, ge=1.05, le=10)
    least_line_in: float = Field(0.75, gt=0, le=4)
    smoothness: float = Field(130.0, ge=60, le=160)


class PriorSettings(Settings):
    """The whole file."""

    service: ServiceSettings = Field(default_factory=lambda: ServiceSettings.model_validate({}))
    fixtures: dict[str, FixtureSettings]
    classes: dict[str, ClassSettings]

    @model_validator(mode="after")
    def _names_are_known(self) -> PriorSettings:
        if "unknown" not in self.classes:
            raise ValueError(
                "classes must include 'unknown', which is used for every class not listed"
            )
        for name, entry in self.classes.items():
            if bool(entry.shares) == bool(entry.blend):
                raise ValueError(f"class {name}: give either shares or blend")
            for other in entry.blend:
                if other not in self.classes or self.classes[other].blend:
                    raise ValueError(
                        f"class {name}: blend names {other!r}, which has no shares"
                    )
            if name not in CUSTOMER_CLASSES:
                allowed = ", ".join(CUSTOMER_CLASSES)
                raise ValueError(f"unknown customer class {name!r}; allowed: {allowed}")
            strange = sorted(set(entry.present) - set(entry.shares))
            if strange:
                raise ValueError(
                    f"class {name}: present names {strange[0]!r}, which is not in shares"
                )
            for fixture, share in entry.shares.items():
                if fixture not in self.fixtures:
                    raise ValueError(f"class {name}: fixture {fixture!r} is not defined")
                if not 0 < entry.present.get(fixture, 1.0) <= 1:
                    raise ValueError(
                        f"class {name}: present of {fixture} must be above 0 and at most 1"
                    )
                if share <= 0:
                    raise ValueError(
                        f"class {name}: share of {fixture} must be above 0; got {share}"
                    )
        return self


def load_priors(path: Path | None = None) -> Priors:
    """Class priors from a YAML file; the shipped ones if none is given.

    Raises
    ------
    ConfigError
        If the file cannot be used; the text names file, place and what was wrong.
    """
    settings = read_model(path or config_path("class_priors.yaml"), PriorSettings)
    fixtures = {
        name: Fixture(name=name, **entry.model_dump())
        for name, entry in settings.fixtures.items()
    }
    plain = {n: _plain_prior(n, e, fixtures) for n, e in settings.classes.items() if e.shares}
    blends = {
        name: _plain_prior(name, entry, fixtures, tuple(plain[other] for other in entry.blend))
        for name, entry in settings.classes.items()
        if entry.blend
    }
    return Priors(plain | blends, ServicePrior(**settings.service.model_dump()))


def _plain_prior(
    name: str,
    entry: ClassSettings,
    fixtures: dict[str, Fixture],
    blend: tuple[ClassPrior, ...] = (),
) -> ClassPrior:
    return ClassPrior(
        customer_class=name,
        shares=tuple((fixtures[f], share) for f, share in entry.shares.items()),
        present=tuple(entry.present.get(f, 1.0) for f in entry.shares),
        crowding=entry.crowding,
        steady=SteadyPrior(**entry.steady.model_dump()),
        blend=blend,
    )
