"""A metric catalogue and a US catalogue of the same meters are the same catalogue."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import yaml
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipelines.configuration.load_catalogue import (
    load_catalogue,
    load_curve_rules,
    load_ratings,
)
from rightsize.meters.build.entry import MeterEntry
from rightsize.meters.build.from_entry import build_meter
from rightsize.meters.build.metric import MetricRating
from rightsize.meters.build.validation import meter_problems
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.meters.curve import registration_matrix
from rightsize.meters.head_loss import head_loss_matrix
from rightsize.units import GPM_PER_M3H, MM_OF_SIZE_IN, PSI_PER_BAR

LARGEST_COMPOUND_Q3 = 630  # m3/h: about an 8 in; none is made larger
ROUNDING = 1e-9  # of converting there and back
OFF_STEP = 1e-6  # a flow this near a starting flow may fall on either side of the step


def metric_entry(m: Meter) -> dict:
    flows = {
        f"{name}_m3h": getattr(m, f"{name}_gpm") / GPM_PER_M3H
        for name in ("starting", "min_test", "normal_min", "continuous", "smoc")
    }
    money = ("price_usd", "install_usd", "upkeep_usd_per_year", "life_years")
    return {
        "meter_type": m.meter_type,
        "size_mm": MM_OF_SIZE_IN[m.size_in],
        "grade": m.grade,
        "registration_m3h": [[q / GPM_PER_M3H, a] for q, a in m.registration],
        "head_loss_bar_at_smoc": m.head_loss_psi_at_smoc / PSI_PER_BAR,
        **flows,
        **{name: getattr(m, name) for name in money},
    }


def as_metric(catalogue: Catalogue, folder: Path) -> Catalogue:
    """The same meters written in mm, m3/h and bar, and read again."""
    path = folder / "metric.yaml"
    entries = [metric_entry(m) for m in catalogue.meters]
    path.write_text(yaml.safe_dump(entries), encoding="utf-8")
    return load_catalogue(path)


def test_both_fleets_register_the_same_volumes(shipped: Catalogue, tmp_path: Path) -> None:
    metric = as_metric(shipped, tmp_path)
    assert [m.label for m in metric.meters] == [m.label for m in shipped.meters]
    rng = np.random.default_rng(4)
    flow_gpm = np.exp(rng.uniform(np.log(1e-3), np.log(5e3), 20_000))
    starts = np.array([m.starting_gpm for m in shipped.meters])
    near = np.abs(flow_gpm[:, None] / starts - 1).min(axis=1) < OFF_STEP
    flow_gpm = flow_gpm[~near]
    minutes = rng.uniform(0, 60, flow_gpm.size)
    ours = registration_matrix(shipped.meters, flow_gpm) @ (flow_gpm * minutes)
    theirs = registration_matrix(metric.meters, flow_gpm) @ (flow_gpm * minutes)
    np.testing.assert_allclose(theirs, ours, rtol=ROUNDING)
    np.testing.assert_allclose(
        head_loss_matrix(metric.meters, flow_gpm),
        head_loss_matrix(shipped.meters, flow_gpm),
        rtol=ROUNDING,
    )


@settings(max_examples=60, deadline=None)
@given(
    meter_type=st.sampled_from(
        ["displacement", "turbine", "single_jet", "ultrasonic", "compound"]
    ),
    q3=st.floats(40, 5000),
    r=st.floats(40, 1000),
    accuracy_class=st.sampled_from([1, 2]),
)
def test_every_metric_rating_makes_a_meter_without_problems(
    meter_type: str, q3: float, r: float, accuracy_class: int
) -> None:
    assume(meter_type != "compound" or q3 <= LARGEST_COMPOUND_Q3)
    entry = MeterEntry(
        meter_type=meter_type,
        size_in=2,
        q3_m3h=q3,
        r=r,
        accuracy_class=accuracy_class,
        price_usd=1,
        install_usd=1,
        upkeep_usd_per_year=1,
        life_years=1,
    )
    meter = build_meter(entry, load_ratings(), load_curve_rules())
    assert meter_problems(meter) == []
    flow = np.geomspace(meter.min_test_gpm, meter.smoc_gpm, 300)
    registered = flow * registration_matrix([meter], flow)[0]
    assert (np.diff(registered) >= -1e-9 * registered[1:]).all()


@settings(max_examples=50, deadline=None)
@given(q3=st.floats(0.5, 5000), r=st.floats(20, 1000), accuracy_class=st.sampled_from([1, 2]))
def test_a_metric_rating_and_its_flows_in_gpm_are_the_same_meter(
    q3: float, r: float, accuracy_class: int
) -> None:
    money = {"price_usd": 1, "install_usd": 1, "upkeep_usd_per_year": 1, "life_years": 1}
    rating = MetricRating(q3, r, accuracy_class)
    metric = MeterEntry(
        meter_type="ultrasonic",
        size_in=2,
        q3_m3h=q3,
        r=r,
        accuracy_class=accuracy_class,
        **money,
    )
    low, high = (rating.permissible_error_pct(q) / 100 for q in (rating.q1_m3h, rating.q3_m3h))
    ours = MeterEntry(
        meter_type="ultrasonic",
        size_in=2,
        grade="ours",
        min_test_gpm=rating.q1_m3h * GPM_PER_M3H,
        normal_min_gpm=rating.q2_m3h * GPM_PER_M3H,
        continuous_gpm=q3 * GPM_PER_M3H,
        smoc_gpm=rating.q4_m3h * GPM_PER_M3H,
        low_limits=(1 - low, 1 + low),
        normal_limits=(1 - high, 1 + high),
        head_loss_psi_at_smoc=1,
        **money,
    )
    one, two = (build_meter(e, load_ratings(), load_curve_rules()) for e in (metric, ours))
    np.testing.assert_allclose(one.registration, two.registration, rtol=1e-9)
