"""The campaign's page: sums by area and week, and what was learned for a dollar."""

from __future__ import annotations

import re

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.field.campaign_page import campaign_page, cell_frame
from rightsize.evidence.field.crew_week import crew_weeks
from rightsize.evidence.field.learned import COLUMNS, learned_of
from tests.unit.evidence.field.test_crew_week import WEEK
from tests.unit.evidence.field.visits import MONDAY, order, visit
from tests.unit.evidence.sites import PROVENANCE
from tests.unit.evidence.test_page import HOSTILE, Outline, tag_names

LOGGED = pl.DataFrame(
    [
        ("A-1", 150.0, 1000.0, 400.0, 0.0, 900.0, "log_first", "change"),
        ("A-2", 150.0, 500.0, 600.0, 0.0, 0.0, "log_first", "log_first"),
        ("A-3", 100.0, 300.0, 100.0, 200.0, 300.0, "change", "change"),
        ("A-4", 0.0, 250.0, None, 400.0, 0.0, "change", "keep"),
    ],
    schema=list(COLUMNS),
    orient="row",
)


def page(visits, **more) -> str:
    orders = [order(**{f: getattr(v, f) for f in v.__dataclass_fields__}) for v in visits]
    weeks = crew_weeks(orders)
    lists = {(str(w.week_start_on), w.crew): f"week-{w.week_start_on}.html" for w in weeks}
    return campaign_page(visits, weeks, lists, provenance=PROVENANCE, units="us", **more)


VISITS = [
    visit(),
    visit(account_id="A-2", week_start_on=MONDAY + 2 * WEEK, cost_usd=350.0,
          kind="accuracy_test", expected_gain_usd=400.0, net_usd=50.0),
    visit(account_id="A-3", area="", crew=2),
]  # fmt: skip


def test_figures_are_the_sums_of_the_visits() -> None:
    said = Outline(page(VISITS)).words
    assert re.search(r"visits\s+3\s+at 3 accounts in 2 weeks", said)
    assert re.search(r"cost\s+\$650", said)
    assert re.search(r"expected gain\s+\$2,200", said)
    assert "no area" in said


def test_the_table_has_every_cell() -> None:
    said = Outline(page(VISITS)).words
    assert "1 · $750" in said
    assert "1 · $50" in said


def test_weeks_without_a_visit_are_on_the_map() -> None:
    drawn = page(VISITS)
    for k in range(3):
        assert str(MONDAY + k * WEEK) in drawn


@given(st.lists(st.tuples(st.sampled_from("abc"), st.integers(0, 5), st.floats(-50, 500))))
def test_cells_add_up_to_the_visits(plan) -> None:
    visits = [
        visit(area=area, week_start_on=MONDAY + week * WEEK, net_usd=net)
        for area, week, net in plan
    ]
    cells = cell_frame(visits)
    assert cells["visits"].sum() == len(visits)
    assert cells["net_usd"].sum() == pytest.approx(sum(v.net_usd for v in visits), abs=1e-6)
    assert cells.select("area", "week").is_unique().all()


def test_a_campaign_without_visits_says_so() -> None:
    assert "No log or test is worth its cost" in Outline(page([])).words


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_area_adds_no_tag(name) -> None:
    def tags(area: str) -> list[str]:
        drawn = page([visit(area=area)])
        return tag_names(re.sub(r"<svg.*?</svg>", "", drawn, flags=re.DOTALL))

    assert tags(name) == tags("plain")
    assert "<script" not in page([visit(area=name)])


# HAND: 600 less 100 more and 200 less is 700 USD of width, for 400 USD: 1.75 a dollar. Shares
# are 0.6, -0.2 and 2/3: the median is 0.6. A meter that is kept has no range.
def test_what_was_bought_for_a_dollar() -> None:
    learned = learned_of(LOGGED)
    assert learned.taken_off_usd == pytest.approx(700.0)
    assert learned.taken_off_per_usd == pytest.approx(1.75)
    assert learned.median_share == pytest.approx(0.6)
    assert learned.changed_count == 2
    assert learned.benefit_usd == (600.0, 1200.0)
    assert learned.rows["account_id"].to_list() == ["A-1", "A-3", "A-2", "A-4"]
    assert [row["account"] for row in learned.drawn] == ["A-1", "A-3", "A-2"]
    said = Outline(page(VISITS, learned=learned)).words
    assert re.search(r"range taken off\s+\$700 a year", said)
    assert "$1.75 a year" in said
    assert re.search(r"net benefit of what is changed\s+\$1,200 a year", said)


def test_nothing_learned_yet() -> None:
    learned = learned_of(LOGGED.clear())
    assert learned.taken_off_per_usd is None
    assert learned.median_share is None
    assert "not known" in Outline(page(VISITS, learned=learned)).words


@pytest.mark.parametrize(
    ("frame", "match"),
    [
        (LOGGED.drop("cost_usd"), "lack the columns cost_usd"),
        (LOGGED.with_columns(range_after_usd=pl.lit(-1.0)), "must not be negative"),
    ],
)
def test_a_record_that_cannot_be_is_refused(frame, match) -> None:
    with pytest.raises(ValueError, match=match):
        learned_of(frame)
