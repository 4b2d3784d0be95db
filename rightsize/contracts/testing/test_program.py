"""The test program of a sweep: meters due and why, test flows, outcomes of tests, lots."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import Column, Table, count, interval_rule, number, text

DUE_BY: Final = ("rule", "throughput", "age", "money")
"""Codes of why a meter is due for a test."""
TEST_OUTCOMES: Final = ("pass", "repair", "replace")
LOT_DECISIONS: Final = ("accepted", "rejected", "not decided")
TEST_PLACES: Final = ("bench", "field")

_AREA: Final = text("area", "district or route", null="allowed")
_TYPE: Final = text("meter_type", "type of the meter")
_SIZE: Final = number("size_in", "nominal size", low=0)
_GRADE: Final = text("grade", "grade, where meters.csv names one", null="allowed")
_GROUP: Final = text("age_group", "age band or year of installation of the lot")
_KIND: Final = text("service_kind", "kind of service", null="allowed")
_PLACE: Final = text("place", "where it is tested: bench or field", allowed=TEST_PLACES)


def _date(name: str, meaning: str) -> Column:
    return Column(name, "date", meaning, "allowed")


METER_TEST_DUE: Final = Table(
    name="meter_test_due",
    meaning="Meters that are due for a test, those without a date to tell by, and those drawn"
    " for the sample of their lot.",
    grain="one row per sweep and such meter in service",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID, ACCOUNT, METER, _AREA, _TYPE, _SIZE, _GRADE, _KIND,
        text("due_by", f"why, joined by a space, of: {', '.join(DUE_BY)}; empty if not due"),
        _date("due_on", "last day of the time between tests"),
        _date("installed_on", "day of installation"),
        _date("last_tested_on", "day of the last accuracy test, by its age then"),
        number("interval_years", "longest time between tests", low=0),
        number("age_years", "age", null="allowed"),
        number("throughput_hours", "hours at the continuous rating since installation or test",
               null="allowed"),
        number("limit_hours", "hours that wear its type past the limit", null="allowed"),
        number("oldest_years", "economic age or life, whichever comes first", null="allowed"),
        number("registered_gal_per_year", "volume registered", null="allowed"),
        _PLACE,
        number("test_cost_usd", "cost of the test", low=0),
        number("test_value_usd", "what the test is expected to win back", low=0),
        number("net_value_usd", "that value less the cost of the test"),
        text("age_group", "age band or year of installation, which with type, size and grade"
             " names its lot"),
        count("draw_order", "place in the sample of its lot; a meter that cannot be reached is"
              " left out and said so, not swapped for an easier one", null="allowed",
              null_means="not drawn"),
    ),
    is_detail=True,
)  # fmt: skip

METER_TEST_FLOW: Final = Table(
    name="meter_test_flow",
    meaning="Flows at which meters in service are tested, by type and size.",
    grain="one row per sweep, type, size, grade and flow",
    key=("sweep_id", "meter_type", "size_in", "grade", "flow_gpm"),
    columns=(
        SWEEP_ID, _TYPE, _SIZE, text("grade", "grade in the catalog"),
        text("point", "place in the meter's range"),
        number("flow_gpm", "test flow", low=0),
        number("draft_gal", "volume to pass, where a rule says", null="allowed"),
    ),
)  # fmt: skip

METER_TEST_OUTCOME: Final = Table(
    name="meter_test_outcome",
    meaning="What the newest accuracy test of each tested meter leads to.",
    grain="one row per sweep and tested meter in service",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID, ACCOUNT, METER, _AREA, _TYPE, _SIZE, _GRADE, _KIND,
        text("outcome", "pass, repair or replace", allowed=TEST_OUTCOMES),
        text("reason", "limits, cost of the error, cost of repair and of a new meter"),
        text("failures", "flows out of limits; empty if none"),
        text("limits_from", "rule or standard of the limits"),
        number("test_age_years", "age at the test", low=0),
        count("flow_count", "test flows"),
        number("tested_weighted", "registration over the account's flows, as tested [1]"),
        number("new_weighted", "that of a new meter of its kind [1]"),
        text("weighted_by", "the account's own flows, or stated shares"),
        number("lost_gal_per_year", "volume not registered; negative if it runs fast",
               null="allowed"),
        number("loss_usd_per_year", "its worth", null="allowed"),
        number("repair_usd", "cost of a repair", null="allowed", null_means="not repaired"),
        number("renewal_usd", "cost of a new meter of its kind", null="allowed"),
        number("keep_usd", "present value of the error over the rest of the life"),
        number("repair_all_usd", "present value of repairs over it", null="allowed",
               null_means="not repaired"),
        number("replace_usd", "present value of a new meter now instead of at its end",
               null="allowed"),
    ),
)  # fmt: skip

METER_TEST_LOT: Final = Table(
    name="meter_test_lot",
    meaning="Lots of small meters: plan, what it accepts, and what tests say of the lot.",
    grain="one row per sweep and lot",
    key=("sweep_id", "meter_type", "size_in", "grade", "age_group"),
    columns=(
        SWEEP_ID, _TYPE, _SIZE, _GRADE, _GROUP,
        count("lot_count", "meters of the lot in service"),
        text("code_letter", "sample size code letter of the plan"),
        count("sample_count", "meters to test"),
        count("accept_count", "meters out of limits up to which the lot is accepted"),
        number("accepted_at_aql_share", "probability of acceptance of a lot at the AQL"),
        number("good_lot_pct", "percent out of limits that is accepted 95 % of the time"),
        number("bad_lot_pct", "percent out of limits that is still accepted 10 % of the time"),
        count("tested_count", "meters tested"),
        count("out_count", "of these out of limits"),
        text("decision", "of the plan", allowed=LOT_DECISIONS),
        number("out_pct", "share of tested meters out of limits", null="allowed"),
        number("out_low_pct", "low end for the lot, exact 90 % interval", null="allowed"),
        number("out_high_pct", "high end for the lot", null="allowed"),
        number("mean_pct", "mean weighted registration of tested meters", null="allowed"),
        number("mean_low_pct", "low end for the lot, 90 % interval", null="allowed"),
        number("mean_high_pct", "high end for the lot", null="allowed"),
    ),
    rules=(interval_rule("out", "pct"), interval_rule("mean", "pct")),
)  # fmt: skip

METER_TEST_TABLES: Final = (
    METER_TEST_DUE, METER_TEST_FLOW, METER_TEST_OUTCOME, METER_TEST_LOT,
)  # fmt: skip
