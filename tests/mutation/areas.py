"""Which files are mutated, and which tests must notice; the quick ones first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Area:
    """Patterns of source files, and the tests of all of them in the order they are run."""

    sources: tuple[str, ...]
    tests: tuple[str, ...]


AREAS: Final = {
    "registration": Area(
        (
            "rightsize/meters/*.py",
            "rightsize/meters/build/*.py",
            "rightsize/meters/uncertainty/*.py",
        ),
        (
            "tests/unit/meters",
            "tests/reference/test_curve_laws.py",
            "tests/reference/test_meters_awwa.py",
            "tests/reference/test_meters_composite.py",
            "tests/reference/test_meters_r49.py",
            "tests/reference/test_trade_sizes.py",
            "tests/reference/test_service_pressure.py",
            "tests/pipelines/configuration/test_load_catalogue.py",
        ),
    ),
    "inference": Area(
        (
            "rightsize/inference/*.py",
            "rightsize/inference/reads/*.py",
            "rightsize/inference/meter/*.py",
            "rightsize/inference/water_use/*.py",
        ),
        ("tests/unit/inference", "tests/reference/test_service_pressure.py"),
    ),
    "choice": Area(
        (
            "rightsize/recommend/choose.py",
            "rightsize/recommend/choice.py",
            "rightsize/recommend/weigh.py",
            "rightsize/recommend/case.py",
            "rightsize/recommend/rules/*.py",
        ),
        (
            "tests/unit/recommend/rules",
            "tests/unit/recommend/test_choose.py",
            "tests/unit/recommend/rows",
            "tests/unit/recommend/test_worked_example.py",
            "tests/unit/recommend/test_one_estimator.py",
            "tests/unit/recommend/test_choose_invariance.py",
            "tests/reference/test_meters_service_rules.py",
            "tests/reference/test_trade_sizes.py",
        ),
    ),
    "economics": Area(
        ("rightsize/recommend/economics.py", "rightsize/recommend/program/*.py"),
        (
            "tests/unit/recommend/test_economics.py",
            "tests/reference/test_economics.py",
            "tests/reference/test_economics_plain_loop.py",
            "tests/unit/recommend/test_worked_example.py",
            "tests/unit/recommend/test_tariff_refusals.py",
            "tests/unit/recommend/program",
            "tests/pipelines/commands/test_program.py",
        ),
    ),
    "profile": Area(
        ("sql/30_profile/*.sql",),
        (
            "tests/pipelines/stages/profile/test_profile_statistics.py",
            "tests/pipelines/stages/profile/test_register_step.py",
            "tests/pipelines/stages/profile/test_interval_from_register.py",
            "tests/pipelines/stages/profile/test_register_gaps.py",
            "tests/pipelines/stages/land/test_estimate_and_read.py",
        ),
    ),
}
