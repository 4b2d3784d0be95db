"""Lists of crews: what is set in a week, what is fetched, nothing lost between them."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.field.crew_week import crew_week_page, crew_weeks, fetch_on
from rightsize.evidence.field.results_form import FORM, form_rows, log_head
from rightsize.evidence.field.words import LOGS, TITLE
from tests.unit.evidence.field.visits import MONDAY, order, visit
from tests.unit.evidence.test_page import Outline

WEEK = dt.timedelta(weeks=1)


def test_a_log_of_two_weeks_is_fetched_two_weeks_later() -> None:
    first, second = crew_weeks([order()])
    assert (first.week_start_on, len(first.orders), len(first.fetched)) == (MONDAY, 1, 0)
    assert (second.week_start_on, len(second.orders), len(second.fetched)) == (
        MONDAY + 2 * WEEK, 0, 1,
    )  # fmt: skip
    assert first.logger_count == 1
    assert second.logger_count == 0


@pytest.mark.parametrize("kind", ["night_logging", "accuracy_test", "finer_interval"])
def test_what_ends_in_its_week_is_not_fetched_later(kind) -> None:
    assert len(crew_weeks([order(kind=kind, duration_days=2.0)])) == 1


@given(
    st.lists(
        st.tuples(
            st.sampled_from(list(TITLE)), st.integers(0, 6), st.integers(1, 3), st.floats(0, 40)
        ),
        max_size=12,
    )
)
def test_every_visit_is_on_one_list_and_every_long_log_is_fetched_once(plan) -> None:
    orders = [
        order(account_id=f"A-{k}", kind=kind, week_start_on=MONDAY + week * WEEK, crew=crew,
              duration_days=days)
        for k, (kind, week, crew, days) in enumerate(plan)
    ]  # fmt: skip
    weeks = crew_weeks(orders)
    listed = [o.visit.account_id for w in weeks for o in w.orders]
    assert sorted(listed) == sorted(o.visit.account_id for o in orders)
    fetched = [o.visit.account_id for w in weeks for o in w.fetched]
    long = [
        o.visit.account_id
        for o in orders
        if o.visit.kind in LOGS and fetch_on(o.visit) >= o.visit.week_start_on + WEEK
    ]
    assert sorted(fetched) == sorted(long)
    for week in weeks:
        assert week.week_start_on.weekday() == 0
        assert all(fetch_on(o.visit) < week.week_start_on + WEEK for o in week.fetched)


def test_a_list_has_account_meter_page_and_cautions() -> None:
    held = crew_weeks([order()])[0]
    page = crew_week_page(held, {held.orders[0].visit: "a page.html"})
    said = Outline(page).words
    for text in ("A-1", "M-1", "Old Town", "flow log", "2026-02-16"):
        assert text in said
    assert 'href="a%20page.html"' in page
    for lead, _ in CAUTIONS:
        assert lead in said


def test_the_form_is_filled_in_as_far_as_known() -> None:
    [row] = form_rows([visit()])
    assert list(row) == list(FORM)
    assert {k for k, v in row.items() if v is not None} == {
        "account_id", "meter_id", "kind", "week_start_on", "crew",
    }  # fmt: skip


def test_the_head_of_a_log_is_one_line_a_key_whatever_the_names() -> None:
    head = log_head(visit(account_id="A\n# pulse_gal: 9", meter_id="M\r1"))
    lines = head.splitlines()
    assert [line.split(":")[0] for line in lines[:-1]] == [
        "# account_id", "# meter_id", "# pulse_gal", "# step_s", "# drift_s_per_day",
    ]  # fmt: skip
    assert lines[-1] == "at,pulses"
    assert lines[2] == "# pulse_gal: "
    with pytest.raises(ValueError, match="is no log"):
        log_head(visit(kind="accuracy_test"))
