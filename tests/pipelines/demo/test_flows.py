"""Pulses add up exactly, and the truth read from a flow is the truth of its pulses."""

import numpy as np
import pytest

from pipelines.demo.calendar import calendar_of
from pipelines.demo.draws import Base, Draw, Site
from pipelines.demo.flows import Pulses, added_up, flow_of
from pipelines.demo.truth import need_of, peak_10s, registered_by_month
from rightsize.meters.catalogue import Meter

RATE_SPREAD = 4.0  # standard errors: a seeded draw outside them would be a defect


def pulses(*rows: tuple[int, int, float]) -> Pulses:
    start, seconds, gpm = (np.array(column) for column in zip(*rows, strict=True))
    return Pulses.of(start, seconds.astype(float), gpm.astype(float))


def meter(**changes: object) -> Meter:
    fields = {
        "meter_type": "displacement",
        "size_in": 1.0,
        "starting_gpm": 0.5,
        "min_test_gpm": 0.75,
        "normal_min_gpm": 3.0,
        "continuous_gpm": 25.0,
        "smoc_gpm": 50.0,
        "registration": ((0.5, 0.8), (3.0, 1.0)),
        "head_loss_psi_at_smoc": 15.0,
        "price_usd": 200.0,
        "install_usd": 200.0,
        "upkeep_usd_per_year": 5.0,
        "life_years": 15.0,
        "source": "made up for this test",
    } | changes
    return Meter(**fields)  # type: ignore[arg-type]


def test_overlapping_draws_add_up_before_they_are_measured():
    # HAND: 0.4375 gpm alone is below the start of 0.5 gpm; two of them together are above it.
    calendar = calendar_of(1)
    flow = added_up([pulses((0, 600, 0.4375), (300, 600, 0.4375))], calendar)
    actual, registered = registered_by_month(flow, calendar, (meter(),))
    assert actual[0] == pytest.approx(8.75)
    at_both = 0.8 + 0.2 * np.log(0.875 / 0.5) / np.log(3.0 / 0.5)  # linear in log flow
    assert registered[0, 0] == pytest.approx(0.875 * 5 * at_both)


def test_a_flow_returns_to_exactly_zero_after_many_draws():
    calendar = calendar_of(1)
    flow = flow_of(Site((Draw(2000, 1.7, 40),)), calendar, np.random.default_rng(5))
    assert (flow.gpm >= 0).all()
    assert (flow.gpm == 0).sum() > 1000


def test_draws_keep_their_mean_rate():
    # ANALYTIC: mean flow of a pulse process is rate x duration x intensity.
    calendar = calendar_of(6)
    draw = Draw(300, 2.0, 60, gpm_cv=0.05, seconds_cv=0.05, day_cv=0.01)
    flow = flow_of(Site((draw,)), calendar, np.random.default_rng(11))
    days = calendar.span_s / 86_400
    starts = flow.gal_at(np.array([calendar.span_s]))[0] / 2.0
    assert starts == pytest.approx(300 * days, abs=RATE_SPREAD * np.sqrt(300 * days))


def test_a_base_runs_all_day_and_night():
    calendar = calendar_of(2)
    flow = flow_of(Site(bases=(Base(1.5),)), calendar, np.random.default_rng(3))
    assert flow.gpm.min() > 1.0


def test_the_peak_is_the_flow_exceeded_so_rarely():
    # HAND: 31 days hold 26.8 s at 0.001 %: two windows of 10 s. 20 s at 90 gpm are two windows.
    calendar = calendar_of(1)
    flow = added_up([pulses((1000, 20, 90.0), (5000, 4000, 30.0))], calendar)
    assert peak_10s(flow, calendar.span_s) == pytest.approx(90.0)


def test_a_draw_shorter_than_the_window_is_averaged_over_it():
    # HAND: 5 s at 60 gpm within each of many windows is 30 gpm over 10 s.
    calendar = calendar_of(1)
    flow = added_up([pulses(*[(100 * k, 5, 60.0) for k in range(1, 50)])], calendar)
    assert peak_10s(flow, calendar.span_s) == pytest.approx(30.0)


def test_the_peak_agrees_with_a_plain_loop_over_windows():
    # ANALYTIC: the same quantity from every window of the span, on a busy site.
    calendar = calendar_of(1)
    site = Site((Draw(400, 3.0, 45, gpm_cv=0.4), Draw(90, 20.0, 6)), bases=(Base(0.3),))
    flow = flow_of(site, calendar, np.random.default_rng(8))
    border = np.arange(0, calendar.span_s + 1, 10)
    every = np.sort(np.diff(flow.gal_at(border)) * 6)
    rank = int(1e-5 * calendar.span_s) // 10
    assert peak_10s(flow, calendar.span_s) == pytest.approx(every[-rank])


def test_sustained_flow_is_an_hourly_mean():
    # HAND: every fourth hour runs at 12 gpm for half of it, so the busiest hours mean 6 gpm.
    calendar = calendar_of(1)
    rows = [(3600 * k, 1800, 12.0) for k in range(0, calendar.hour_count, 4)]
    need = need_of(added_up([pulses(*rows)], calendar), calendar)
    assert need.sustained_60min_gpm == pytest.approx(6.0)


@pytest.mark.parametrize("months", [0, 61])
def test_a_span_out_of_range_is_refused(months: int):
    with pytest.raises(ValueError, match="months must be between 1 and 60"):
        calendar_of(months)


def test_the_calendar_has_days_of_23_and_25_hours():
    # STANDARD: Energy Policy Act of 2005, s. 110 (from memory): 9 March, 2 November 2025.
    calendar = calendar_of(13)
    hours = np.bincount(calendar.day)
    days = {int(h): np.flatnonzero(hours == h).tolist() for h in (23, 25)}
    assert [str(calendar.date_of(int(calendar.day_start_s[d[0]]))) for d in days.values()] == [
        "2025-03-09",
        "2025-11-02",
    ]
    assert calendar.span_s == 86_400 * 396
