"""Points of a test against the limits of rules and standards, both ways."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.configuration.load_catalogue import load_catalogue, load_service_rules
from rightsize.errors import CatalogueError
from rightsize.meter_tests.limits import flows_to_test, judged_points, limit_frame
from rightsize.meters.catalogue import Catalogue


@pytest.fixture(scope="module")
def shipped() -> Catalogue:
    return load_catalogue()


def judged(shipped: Catalogue, rule: str, kind: str, size: float, *points: tuple[float, float]):
    row = shipped.row_of(kind, size)
    frame = pl.DataFrame(
        [("M-1", row, flow, ratio) for flow, ratio in points],
        schema=["meter_id", "meter_index", "flow_gpm", "ratio"],
        orient="row",
    )
    return judged_points(frame, limit_frame(shipped.meters, load_service_rules().of(rule)))


@pytest.mark.parametrize(
    ("rule", "flow", "ratio", "is_out"),
    [
        ("maine", 0.25, 0.90, False),  # STANDARD READ: Maine 65-407 C.M.R. ch. 62 sec. 3
        ("maine", 0.25, 0.899, True),
        ("maine", 0.25, 1.20, False),
        ("maine", 2, 0.98, False),
        ("maine", 2, 0.979, True),
        ("maine", 15, 1.02, False),
        ("maine", 15, 1.021, True),
        ("maryland", 2, 0.98523, False),  # STANDARD READ: COMAR 20.70.06.04, over the
        ("maryland", 2, 0.9850, True),  # meter's volume: 98.5 reads as -1.523 %
        ("handbook_44", 0.25, 0.949, True),  # STANDARD MEM-M: NIST HB 44 sec. 3.36
        ("handbook_44", 0.25, 0.951, False),
        ("handbook_44", 0.1, 0.2, False),  # below the minimum test flow no limit holds
    ],
)
def test_a_five_eighths_displacement_meter(shipped, rule, flow, ratio, is_out) -> None:
    found = judged(shipped, rule, "displacement", 0.625, (flow, ratio))
    assert found["is_out"].item() is is_out
    assert (found["said"].item() is not None) is is_out


def test_a_compound_needs_ninety_percent_in_its_changeover(shipped) -> None:
    # STANDARD MEM-M: AWWA C702
    parts = shipped.find("compound", 3).compound
    flow = (parts.changeover_falling_gpm * parts.changeover_rising_gpm) ** 0.5
    for ratio, is_out in ((0.901, False), (0.899, True)):
        found = judged(shipped, "maine", "compound", 3, (flow, ratio))
        assert found["point"].item() == "changeover"
        assert found["is_out"].item() is is_out
        assert found["limits_from"].item().startswith("AWWA C702")


def test_a_failure_says_flow_and_limit(shipped) -> None:
    found = judged(shipped, "maine", "displacement", 0.625, (0.25, 0.815))
    assert found["said"].item() == "81.5 % at 0.25 gpm, below 90.0 %"


def test_a_rule_without_limits_is_refused(shipped) -> None:
    with pytest.raises(CatalogueError, match="'florida' has no limits"):
        limit_frame(shipped.meters, load_service_rules().of("florida"))


@pytest.mark.parametrize(
    ("rule", "size", "flows"),
    [("maine", 0.625, (0.25, 2, 15)), ("maine", 2, (2, 15, 120)),
     ("maryland", 1, (0.75, 5, 25)), ("florida", 1.5, (1.5, 8, 50))],
)  # fmt: skip
def test_flows_of_displacement_meters_are_the_rules(shipped, rule, size, flows) -> None:
    # STANDARD READ: the rules named
    found = flows_to_test(shipped.find("displacement", size), load_service_rules().of(rule))
    assert tuple(flow for _, flow in found) == flows


@pytest.mark.parametrize(("kind", "size"), [("turbine", 3), ("compound", 4), ("ultrasonic", 2)])
def test_other_types_are_tested_over_their_normal_range(shipped, kind, size) -> None:
    """F.A.C. 25-30.263(2) and (3): two or more flows in the normal range, a compound in its
    changeover too."""
    meter = shipped.find(kind, size)
    found = dict(flows_to_test(meter, load_service_rules().of("maine")))
    normal = [f for f in found.values() if meter.normal_min_gpm <= f <= meter.smoc_gpm]
    assert len(normal) >= 2
    assert list(found.values()) == sorted(found.values())
    assert ("changeover, falling" in found) == (kind == "compound")
