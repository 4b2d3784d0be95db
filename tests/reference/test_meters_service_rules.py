"""What state rules make of a test: limits, sign and denominator."""

from __future__ import annotations

import pytest

from pipelines.configuration.load_catalogue import load_service_rules
from rightsize.errors import CatalogueError
from rightsize.meters.composite import error_pct


def failures(name: str, **indicated: float) -> list[str]:
    return load_service_rules().of(name).failures(indicated, actual_gal=100)


def test_the_denominator_of_the_error() -> None:
    # STANDARD: R 49 (MEM-H) divides by the actual volume; Maryland COMAR 20.70.06.04 (READ) by
    # the meter's. CALC: 95 against 100 is -5.000 % or -5.263 %.
    assert error_pct(95, 100) == pytest.approx(-5.000, abs=5e-4)
    assert error_pct(95, 100, denominator="indicated") == pytest.approx(-5.263, abs=5e-4)


@pytest.mark.parametrize(
    ("indicated", "is_failing"),
    [
        ({"minimum": 90, "intermediate": 98, "maximum": 102}, False),
        ({"minimum": 89.9}, True),
        ({"intermediate": 97.9}, True),
        ({"intermediate": 102.1}, True),
        ({"maximum": 97.9}, True),
        ({"minimum": 103}, False),
    ],
)
def test_maine(indicated: dict[str, float], is_failing: bool) -> None:
    # STANDARD READ: Maine 65-407 C.M.R. ch. 62 sec. 3
    assert bool(failures("maine", **indicated)) is is_failing


@pytest.mark.parametrize(
    ("indicated", "is_failing"),
    [
        ({"intermediate": 98.6, "maximum": 101.4}, False),
        ({"intermediate": 98.4}, True),
        ({"maximum": 101.6}, True),
        ({"minimum": 91}, False),
        ({"minimum": 89}, True),
    ],
)
def test_maryland(indicated: dict[str, float], is_failing: bool) -> None:
    # STANDARD READ: Maryland COMAR 20.70.06.04
    assert bool(failures("maryland", **indicated)) is is_failing


@pytest.mark.parametrize(
    ("indicated", "is_failing"),
    [
        ({"minimum": 95, "intermediate": 98.5, "maximum": 101.5}, False),
        ({"minimum": 94.9}, True),
        ({"minimum": 101.1}, True),
        ({"maximum": 98.4}, True),
    ],
)
def test_navy(indicated: dict[str, float], is_failing: bool) -> None:
    # STANDARD READ: US Navy MO-221 sec. 5
    assert bool(failures("navy", **indicated)) is is_failing


@pytest.mark.parametrize(
    ("indicated", "is_failing"),
    [({"minimum": 95, "intermediate": 98.5}, False), ({"minimum": 94.9}, True),
     ({"minimum": 101.6}, True), ({"intermediate": 98.4}, True)],
)  # fmt: skip
def test_handbook_44(indicated: dict[str, float], is_failing: bool) -> None:
    # STANDARD MEM-M: NIST HB 44 sec. 3.36, utility type, not multi-jet
    assert bool(failures("handbook_44", **indicated)) is is_failing


# STANDARD MEM-M: NIST HB 44 sec. 3.36, drafts [gal] at minimum, intermediate, maximum flow
DRAFTS = {
    0.5: (5, 10, 50), 0.625: (5, 10, 50), 0.75: (5, 10, 50), 1: (5, 10, 100),
    1.5: (10, 50, 300), 2: (10, 50, 500), 3: (10, 50, 500), 4: (50, 100, 1000),
    6: (50, 100, 1000),
}  # fmt: skip


def test_handbook_44_says_how_much_to_pass() -> None:
    rule = load_service_rules().of("handbook_44")
    assert rule.drafts_gal == DRAFTS
    assert rule.flows_gpm(0.5) == (0.25, 2, 8)


def test_a_rule_without_limits_says_so() -> None:
    with pytest.raises(CatalogueError, match="has no limits"):
        failures("florida", minimum=99)


def test_a_size_that_a_rule_does_not_name_is_refused() -> None:
    with pytest.raises(CatalogueError, match="8 in is not in rule 'maine'"):
        load_service_rules().of("maine").flows_gpm(8)
    with pytest.raises(CatalogueError, match="allowed: florida, maine"):
        load_service_rules().of("atlantis")
