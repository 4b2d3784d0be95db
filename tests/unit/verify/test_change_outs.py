"""Change-outs of a meter history: kinds, refusals, nothing lost or doubled."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.contracts.change_outs.job_frame import LOGGED_SCHEMA
from rightsize.errors import ContractError
from rightsize.verify.change_outs import change_outs

DAY = dt.date
FROM, TO = DAY(2025, 1, 1), DAY(2026, 12, 31)
CHANGED = DAY(2026, 3, 2)
COLUMNS = (
    "account_id", "meter_id", "meter_type", "size_in", "installed_on", "removed_on",
    "last_read_on",
)  # fmt: skip


def history(*rows):
    schema = dict.fromkeys(COLUMNS, pl.String) | {
        "size_in": pl.Float64, "installed_on": pl.Date, "removed_on": pl.Date,
        "last_read_on": pl.Date,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def pair(meter_type="turbine", size_in=2.0, *, changed_on=CHANGED, last_read_on=None):
    """A 2 in turbine that gave way to another meter."""
    return history(
        ("A", "old", "turbine", 2.0, DAY(2015, 1, 1), changed_on, last_read_on or changed_on),
        ("A", "new", meter_type, size_in, changed_on, None, TO),
    )


def judged(rows):
    return change_outs(rows, data_from=FROM, data_to=TO).cases


@pytest.mark.parametrize(
    ("meter_type", "size_in", "kind"),
    [
        ("turbine", 2.0, "like_for_like"),
        ("turbine", 1.5, "size"),
        ("ultrasonic", 2.0, "type"),
        ("ultrasonic", 1.5, "type_and_size"),
    ],
)
def test_kind_says_what_was_changed(meter_type, size_in, kind):
    (case,) = judged(pair(meter_type, size_in)).to_dicts()
    assert (case["removed_meter_id"], case["meter_id"], case["kind"], case["code"]) == (
        "old", "new", kind, None,
    )  # fmt: skip


def test_the_same_meter_put_back_is_a_repair_or_test():
    back = history(
        ("A", "m", "turbine", 2.0, DAY(2015, 1, 1), DAY(2026, 3, 2), TO),
        ("A", "m", "turbine", 2.0, DAY(2026, 3, 9), None, TO),
    )
    (case,) = judged(back).to_dicts()
    assert (case["kind"], case["code"]) == ("other", None)


def test_a_removal_without_a_meter_in_its_place_is_no_change_out():
    gone = history(("A", "old", "turbine", 2.0, DAY(2015, 1, 1), DAY(2026, 3, 2), None))
    late = pl.concat([gone, history(("A", "new", "turbine", 2.0, DAY(2026, 6, 2), None, None))])
    assert judged(gone).is_empty()
    assert judged(late).is_empty()


@pytest.mark.parametrize("changed_on", [DAY(2024, 5, 1), FROM, TO, DAY(2027, 2, 1)])
def test_a_change_outside_the_data_is_refused(changed_on):
    assert judged(pair(changed_on=changed_on))["code"].to_list() == ["outside_data"]


def test_reads_of_a_removed_meter_are_refused_and_those_of_its_last_day_are_not():
    late = judged(pair(last_read_on=DAY(2026, 3, 3)))
    assert late["code"].to_list() == ["removed_meter_reads"]
    assert judged(pair(last_read_on=DAY(2026, 3, 2)))["code"].to_list() == [None]


def test_two_change_outs_on_one_day_are_refused_both():
    day = DAY(2026, 3, 2)
    rows = pl.concat(
        [
            pair(),
            history(
                ("A", "old2", "turbine", 2.0, DAY(2015, 1, 1), day, day),
                ("A", "new2", "turbine", 2.0, day, None, TO),
            ),
        ]
    )
    found = judged(rows)
    assert found.select("removed_meter_id", "code").rows() == [
        ("old", "two_on_one_day"), ("old2", "two_on_one_day"),
    ]  # fmt: skip


def test_two_change_outs_one_after_the_other_are_two_cases():
    rows = history(
        ("A", "a", "turbine", 2.0, None, DAY(2025, 6, 2), DAY(2025, 6, 2)),
        ("A", "b", "turbine", 2.0, DAY(2025, 6, 2), DAY(2026, 6, 2), DAY(2026, 6, 2)),
        ("A", "c", "ultrasonic", 2.0, DAY(2026, 6, 2), None, TO),
    )
    found = judged(rows).select("removed_meter_id", "meter_id", "kind", "code").rows()
    assert found == [("a", "b", "like_for_like", None), ("b", "c", "type", None)]


def test_other_accounts_and_the_order_of_rows_change_nothing():
    other = pair("ultrasonic").with_columns(account_id=pl.lit("B"))
    both = pl.concat([pair("ultrasonic"), other])
    assert judged(both).equals(judged(both.reverse()))
    assert judged(both).filter(account_id="A").equals(judged(pair("ultrasonic")))


def test_a_missing_column_is_named():
    with pytest.raises(ContractError, match="column removed_on is missing"):
        judged(pair().drop("removed_on"))


class TestLog:
    """Jobs of the log beside the change-outs of the meter list."""

    def jobs(self, rows, *logged):
        log = pl.DataFrame(
            [(*row, 2 + n) for n, row in enumerate(logged)], schema=LOGGED_SCHEMA, orient="row"
        )
        return change_outs(rows, log, data_from=FROM, data_to=TO)

    @pytest.mark.parametrize("days", [-31, -3, 0, 31])
    def test_a_job_of_both_records_is_one_and_the_lists_day_counts(self, days):
        day = CHANGED + dt.timedelta(days=days)
        made = self.jobs(pair("ultrasonic"), (day, "A", "old", "type", "new"))
        (case,) = made.cases.to_dicts()
        assert (case["changed_on"], case["kind"]) == (CHANGED, "type")
        assert (case["record"], made.left_out.height) == ("both", 0)

    def test_a_job_farther_off_is_one_of_its_own(self):
        day = CHANGED + dt.timedelta(days=32)
        made = self.jobs(pair("ultrasonic"), (day, "A", "old", "type", "new"))
        assert made.cases["record"].to_list() == ["meter_list", "log"]

    def test_a_job_that_the_list_has_otherwise_is_left_out(self):
        made = self.jobs(pair("ultrasonic"), (CHANGED, "A", "old", "like_for_like", "new"))
        assert made.cases["record"].to_list() == ["meter_list"]
        assert made.left_out.select("rule", "line").rows() == [("differs_from_list", 2)]

    def test_a_second_row_of_one_change_out_is_left_out(self):
        rows = [(CHANGED + dt.timedelta(days=d), "A", "old", "type", "new") for d in (1, 0)]
        made = self.jobs(pair("ultrasonic"), *rows)
        assert made.cases["record"].to_list() == ["both"]
        assert made.left_out.select("rule", "line").rows() == [("row_repeated", 2)]

    def test_the_log_says_why_a_meter_was_out_and_back(self):
        back = history(
            ("A", "m", "turbine", 2.0, DAY(2015, 1, 1), CHANGED, TO),
            ("A", "m", "turbine", 2.0, CHANGED + dt.timedelta(days=2), None, TO),
        )
        (case,) = self.jobs(back, (CHANGED, "A", "m", "repair", None)).cases.to_dicts()
        assert (case["kind"], case["record"], case["code"]) == ("repair", "both", None)

    def test_a_meter_whose_id_stays_has_the_lists_type_after_and_none_before(self):
        stays = history(("A", "m", "ultrasonic", 2.0, DAY(2015, 1, 1), None, TO))
        (case,) = self.jobs(stays, (CHANGED, "A", "m", "type", None)).cases.to_dicts()
        assert (case["removed_meter_id"], case["meter_id"]) == ("m", "m")
        assert (case["meter_type"], case["removed_type"]) == ("ultrasonic", None)
        assert case["code"] is None

    def test_a_test_puts_no_other_job_in_doubt_but_is_put_in_doubt(self):
        made = self.jobs(pair("ultrasonic"), (DAY(2026, 3, 20), "A", "new", "test", None))
        codes = dict(made.cases.select("kind", "code").rows())
        assert codes == {"type": None, "test": "two_in_one_month"}

    def test_two_works_in_one_month_cannot_be_told_apart(self):
        made = self.jobs(pair("ultrasonic"), (DAY(2026, 3, 20), "A", "new", "repair", None))
        assert made.cases["code"].to_list() == ["two_in_one_month"] * 2

    @given(st.lists(st.tuples(
        st.integers(0, 90), st.sampled_from(["old", "new", "m"]),
        st.sampled_from(["type", "size", "repair", "test"]),
        st.sampled_from([None, "new"]),
    ), max_size=8))  # fmt: skip
    @settings(max_examples=60, deadline=None)
    def test_every_row_of_the_log_is_a_job_or_left_out(self, rows):
        logged = [(CHANGED + dt.timedelta(days=d), "A", m, w, n) for d, m, w, n in rows]
        made = self.jobs(pair("ultrasonic"), *logged)
        count = made.cases["record"].value_counts().rows()
        held = dict(count)
        assert len(rows) == held.get("log", 0) + held.get("both", 0) + made.left_out.height
        assert held.get("meter_list", 0) + held.get("both", 0) == 1
