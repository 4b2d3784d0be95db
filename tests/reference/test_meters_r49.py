"""OIML R 49-1:2013 / ISO 4064-1:2014, clauses 4.1 and 4.2.

All values: STANDARD, from memory (MEM-H); the worked Q values are CALC from its ratios.
"""

from __future__ import annotations

import math

import pytest

from pipelines.configuration.load_catalogue import (
    load_catalogue,
    load_curve_rules,
    load_ratings,
)
from rightsize.errors import CatalogueError
from rightsize.meters.build.entry import MeterEntry
from rightsize.meters.build.from_entry import build_meter
from rightsize.meters.build.metric import (
    PRESSURE_LOSS_BAR,
    MetricRating,
)
from rightsize.meters.uncertainty.curve_samples import SERVICE_FACTOR
from rightsize.units import GPM_PER_M3H

JUST = 1e-6  # beside a limit, by this share of it
PRINTED = 6e-7  # the table prints six decimals

# STANDARD MEM-H, worked CALC: Q3, R -> Q1, Q2, Q4 [m3/h]
WORKED = [
    (2.5, 80, 0.03125, 0.050, 3.125),
    (4, 160, 0.025, 0.040, 5.0),
    (16, 160, 0.100, 0.160, 20.0),
    (40, 315, 0.126984, 0.203175, 50.0),
    (63, 100, 0.63, 1.008, 78.75),
]


@pytest.mark.parametrize(("q3", "r", "q1", "q2", "q4"), WORKED)
def test_flows_follow_from_q3_and_r(
    q3: float, r: float, q1: float, q2: float, q4: float
) -> None:
    rating = MetricRating(q3, r)
    assert rating.q1_m3h == pytest.approx(q1, abs=PRINTED)
    assert rating.q2_m3h == pytest.approx(q2, abs=PRINTED)
    assert rating.q4_m3h == pytest.approx(q4, abs=PRINTED)


# STANDARD MEM-H: class, water temperature, lower zone, upper zone [%]
LIMITS = [(1, 20, 3, 1), (1, 40, 3, 2), (2, 20, 5, 2), (2, 40, 5, 3), (2, 30, 5, 2)]


@pytest.mark.parametrize(("accuracy_class", "water_c", "lower", "upper"), LIMITS)
def test_error_limits_by_zone_class_and_temperature(
    accuracy_class: int, water_c: float, lower: float, upper: float
) -> None:
    rating = MetricRating(4, 160, accuracy_class)
    assert rating.permissible_error_pct(rating.q1_m3h, water_c=water_c) == lower
    assert rating.permissible_error_pct(rating.q3_m3h, water_c=water_c) == upper


def test_q2_itself_belongs_to_the_upper_zone() -> None:
    # STANDARD MEM-H: lower zone Q1 <= Q < Q2, upper zone Q2 <= Q <= Q4
    for q3, r, q1, q2, q4 in WORKED[:3]:  # those whose printed flows are exact
        rating = MetricRating(q3, r)
        assert rating.permissible_error_pct(q2) == 2
        assert rating.permissible_error_pct(q2 * (1 - JUST)) == 5
        assert rating.permissible_error_pct(q1) == 5
        assert rating.permissible_error_pct(q4) == 2


def test_nothing_is_promised_outside_q1_to_q4() -> None:
    # STANDARD MEM-H
    rating = MetricRating(4, 160)
    assert math.isnan(rating.permissible_error_pct(rating.q1_m3h * (1 - JUST)))
    assert math.isnan(rating.permissible_error_pct(rating.q4_m3h * (1 + JUST)))
    assert math.isnan(rating.permissible_error_pct(0))


# STANDARD MEM-H: the printed series
R5 = [1.0, 1.6, 2.5, 4.0, 6.3, 10, 16, 25, 40, 63, 100, 160, 250, 400, 630, 1000, 1600, 2500,
      4000, 6300]  # fmt: skip
R10 = [40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000]


@pytest.mark.parametrize("q3", R5)
def test_every_q3_of_the_series_passes_without_a_note(q3: float) -> None:
    assert MetricRating(q3, 160).off_series() == ()


@pytest.mark.parametrize("r", R10)
def test_every_r_of_the_series_passes_without_a_note(r: float) -> None:
    assert MetricRating(4, r).off_series() == ()


@pytest.mark.parametrize(
    ("q3", "r", "words"), [(3, 160, "Q3 3"), (4, 170, "R 170"), (4, 25, "R 25")]
)
def test_a_value_off_the_series_is_noted_not_refused(q3: float, r: float, words: str) -> None:
    notes = MetricRating(q3, r).off_series()
    assert len(notes) == 1
    assert words in notes[0]


@pytest.mark.parametrize(
    ("q3", "r", "accuracy_class", "words"),
    [(0, 160, 2, "q3_m3h"), (4, 0, 2, "r: must be above 0"), (4, 1.5, 2, "r: Q3/Q1"),
     (4, 160, 3, "accuracy_class"), (math.nan, 160, 2, "q3_m3h")],
)  # fmt: skip
def test_a_meter_that_cannot_be_is_refused(
    q3: float, r: float, accuracy_class: int, words: str
) -> None:
    with pytest.raises(CatalogueError, match=words):
        MetricRating(q3, r, accuracy_class)


def test_pressure_loss_classes() -> None:
    # STANDARD MEM-H: dp63, dp40, dp25, dp16, dp10 in bar between Q1 and Q3
    assert PRESSURE_LOSS_BAR == (0.63, 0.40, 0.25, 0.16, 0.10)


def test_twice_the_limit_in_service() -> None:
    # STANDARD MEM-M: R 49 leaves it to national law; commonly twice the limit of a new meter
    assert SERVICE_FACTOR == 2


MONEY = {"price_usd": 1, "install_usd": 1, "upkeep_usd_per_year": 1, "life_years": 1}


@pytest.mark.parametrize("accuracy_class", [1, 2])
@pytest.mark.parametrize("meter_type", ["ultrasonic", "single_jet", "displacement", "turbine"])
def test_the_generic_curve_of_a_metric_meter_keeps_its_class(
    meter_type: str, accuracy_class: int
) -> None:
    rating = MetricRating(16, 100, accuracy_class)
    entry = MeterEntry(
        meter_type=meter_type,
        size_in=1.5,
        q3_m3h=16,
        r=100,
        accuracy_class=accuracy_class,
        **MONEY,
    )
    meter = build_meter(entry, load_ratings(), load_curve_rules())
    for flow_gpm, ratio in meter.registration:
        limit = rating.permissible_error_pct(flow_gpm / GPM_PER_M3H * (1 - 1e-12))
        if not math.isnan(limit):
            assert abs(100 * (ratio - 1)) <= limit + 1e-9
    assert meter.min_test_gpm == pytest.approx(rating.q1_m3h * GPM_PER_M3H)
    assert meter.smoc_gpm == pytest.approx(rating.q4_m3h * GPM_PER_M3H)


def test_head_loss_class_holds_at_q3() -> None:
    # STANDARD MEM-H: dp63 means at most 0.63 bar between Q1 and Q3; square law above
    entry = MeterEntry(
        meter_type="single_jet", size_in=1, q3_m3h=10, r=100, pressure_loss_bar=0.63, **MONEY
    )
    meter = build_meter(entry, load_ratings(), load_curve_rules())
    at_q3_psi = meter.head_loss_psi_at_smoc * (meter.continuous_gpm / meter.smoc_gpm) ** 2
    assert at_q3_psi / 14.503773773 == pytest.approx(0.63)


def least_q3_m3h(smoc_m3h: float) -> float:
    """Smallest Q3 of the R5 series whose Q4 (1.25 Q3) is at least `smoc_m3h`."""
    steps = [s * 10.0**d for d in range(-1, 5) for s in (1.0, 1.6, 2.5, 4.0, 6.3)]
    return next(q3 for q3 in steps if 1.25 * q3 >= smoc_m3h * (1 - 1e-9))


def test_shipped_metric_meters_are_the_least_of_the_series_that_carry_the_awwa_size() -> None:
    # HAND: the rule stated at the head of config/catalogue.yaml
    shipped = load_catalogue()
    by_size = {
        **{s: shipped.find("displacement", s) for s in (0.625, 0.75, 1, 1.5, 2)},
        **{s: shipped.find("compound", s) for s in (3, 4, 6, 8)},
        10: shipped.find("turbine", 10),
    }
    metric = [m for m in shipped.meters if m.standard.startswith("OIML")]
    assert len(metric) == 26
    for meter in metric:
        least = least_q3_m3h(by_size[meter.size_in].smoc_gpm / GPM_PER_M3H)
        assert meter.continuous_gpm / GPM_PER_M3H == pytest.approx(least), meter.label
