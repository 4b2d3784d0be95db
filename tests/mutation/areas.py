"""Which files are mutated, and which tests must notice; the quick ones first."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final


@dataclass(frozen=True)
class Area:
    """Patterns of source files, and the tests of all of them in the order they are run.

    `nearest` names, by a source's stem, tests that know most of it, where they are not in the
    test file of its own name.
    """

    sources: tuple[str, ...]
    tests: tuple[str, ...]
    nearest: dict[str, tuple[str, ...]] = field(default_factory=dict)

    def nearest_to(self, stem: str) -> tuple[str, ...]:
        """Tests to run first on a mutant of that source."""
        return self.nearest.get(stem, self.nearest.get("", ()))


_PROFILE: Final = "tests/pipelines/stages/profile/test_profile_statistics.py"
_REGISTER: Final = "tests/pipelines/stages/profile/test_interval_from_register.py"
_GAPS: Final = "tests/pipelines/stages/profile/test_register_gaps.py"
_REPLACED: Final = "tests/pipelines/stages/land/test_estimate_and_read.py"
_INFER: Final = "tests/unit/inference/test_infer.py"
_PINNED: Final = "tests/unit/inference/test_pinned.py"
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
        {
            "": (_PINNED, _INFER),
            "service": ("tests/reference/test_service_pressure.py", _PINNED, _INFER),
        },
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
        {
            "": (_PROFILE,),
            "replaced_read": (_REPLACED,),
            "superseded_read": (_PROFILE, _REPLACED),
            "current_read": (_PROFILE, _REPLACED),
            "interval_from_register": (_REGISTER, _GAPS),
            "far_reading": (_GAPS,),
            "ranked_reading": (_REGISTER, _GAPS),
            "register_step": ("tests/pipelines/stages/profile/test_register_step.py",),
            "stuck_register": (_REGISTER,),
        },
    ),
}
