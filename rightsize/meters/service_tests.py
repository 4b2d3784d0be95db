"""Accuracy tests of meters in service: test flows, limits, and how often a test is due."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from rightsize.errors import CatalogueError
from rightsize.meters.composite import Denominator, error_pct
from rightsize.settings import Settings

FlowPoint = Literal["minimum", "intermediate", "maximum"]
Band = tuple[float | None, float | None]
_SAME_SIZE_IN: Final = 1e-6  # sizes this close are the same nominal size


class ServiceLimits(Settings):
    """Permitted registration at the minimum flow and at the others; None is open."""

    minimum: Band
    other: Band


class ServiceRule(Settings):
    """One authority's three-flow test of displacement meters."""

    name: str
    source: str
    confidence: str
    denominator: Denominator
    limits: ServiceLimits | None = None
    flows: dict[Annotated[float, Field(gt=0)], tuple[float, float, float]]
    drafts_gal: dict[Annotated[float, Field(gt=0)], tuple[float, float, float]] = Field(
        default_factory=dict, description="volume to pass at each flow, where the rule says"
    )

    def flows_gpm(self, size_in: float) -> tuple[float, float, float]:
        """Minimum, intermediate and maximum test flow of a size [gpm].

        Raises
        ------
        CatalogueError
            If the rule does not name the size.
        """
        if size_in not in self.flows:
            sizes = ", ".join(f"{s:g}" for s in self.flows) or "none"
            raise CatalogueError(
                f"meter size {size_in:g} in is not in rule {self.name!r}; sizes: {sizes}"
            )
        return self.flows[size_in]

    def failures(
        self, indicated_gal: dict[FlowPoint, float], *, actual_gal: float
    ) -> list[str]:
        """Why a meter fails this rule, one line per test flow; empty if it passes.

        Parameters
        ----------
        indicated_gal : dict of test point to volume
            What the meter counted at each flow [gal].
        actual_gal : float
            Volume of the reference at each flow [gal].

        Raises
        ------
        CatalogueError
            If the rule has flows only, no limits.
        """
        if self.limits is None:
            raise CatalogueError(f"rule {self.name!r} has no limits")
        lines = []
        for point, volume in indicated_gal.items():
            low, high = self.limits.minimum if point == "minimum" else self.limits.other
            error = error_pct(volume, actual_gal, denominator=self.denominator)
            registered = 1 + error / 100
            if low is not None and registered < low - 1e-9:
                lines.append(f"{point}: {error:+.2f} % is below {100 * (low - 1):+.1f} %")
            if high is not None and registered > high + 1e-9:
                lines.append(f"{point}: {error:+.2f} % is above {100 * (high - 1):+.1f} %")
        return lines


class TestSchedule(Settings):
    """Longest time between two tests of a meter in service, by size."""

    __test__ = False  # no test case of ours

    name: str
    source: str
    confidence: str
    interval_years: dict[Annotated[float, Field(gt=0)], Annotated[float, Field(gt=0, le=100)]]

    def years(self, size_in: float) -> float:
        """The interval of a size; one that is not named has that of the next smaller."""
        smaller = [s for s in self.interval_years if s <= size_in + _SAME_SIZE_IN]
        return self.interval_years[max(smaller) if smaller else min(self.interval_years)]


class ServiceRules(Settings):
    """All rules and schedules, by name."""

    rules: tuple[ServiceRule, ...]
    schedules: tuple[TestSchedule, ...] = ()

    def schedule(self, name: str) -> TestSchedule:
        """How often an authority wants a test.

        Raises
        ------
        CatalogueError
            If there is none; the text names those held.
        """
        for schedule in self.schedules:
            if schedule.name == name:
                return schedule
        raise CatalogueError(
            f"unknown test schedule {name!r}; allowed: "
            f"{', '.join(s.name for s in self.schedules)}"
        )

    def of(self, name: str) -> ServiceRule:
        """The rule of an authority.

        Raises
        ------
        CatalogueError
            If there is none; the text names those held.
        """
        for rule in self.rules:
            if rule.name == name:
                return rule
        raise CatalogueError(
            f"unknown test rule {name!r}; allowed: {', '.join(r.name for r in self.rules)}"
        )
