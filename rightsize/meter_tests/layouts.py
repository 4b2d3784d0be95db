"""Files of the test program, column by column."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.table import Column, Table, count, number, text
from rightsize.meter_tests.due import REASONS
from rightsize.meter_tests.outcome import OUTCOMES

_ACCOUNT: Final = text("account_id", "account")
_METER: Final = text("meter_id", "meter in service")
_AREA: Final = text("area", "district or route", null="allowed")
_TYPE: Final = text("meter_type", "type of the meter")
_SIZE: Final = number("size_in", "nominal size", low=0)
_GRADE: Final = text("grade", "grade, where meters.csv names one", null="allowed")
_GROUP: Final = text("age_group", "age band or year of installation of the lot")
_KIND: Final = text("service_kind", "kind of service", null="allowed")


def _date(name: str, meaning: str) -> Column:
    return Column(name, "date", meaning, "allowed")


METERS_DUE: Final = Table(
    name="meters_due",
    meaning="Meters that are due for a test, and those without a date to tell by.",
    grain="one row per meter in service",
    key=("account_id", "meter_id"),
    columns=(
        _ACCOUNT, _METER, _AREA, _TYPE, _SIZE, _GRADE, _KIND,
        text("due_by", f"why, joined by a space, of: {', '.join(REASONS)}; empty if not due"),
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
        text("place", "where it is tested: bench or field"),
        number("test_cost_usd", "cost of the test", low=0),
        number("test_value_usd", "what the test is expected to win back", low=0),
        number("net_value_usd", "that value less the cost of the test"),
    ),
)  # fmt: skip

LOTS: Final = Table(
    name="lots",
    meaning="Lots of small meters: plan, what it accepts, and what tests say of the lot.",
    grain="one row per lot",
    key=("meter_type", "size_in", "grade", "age_group"),
    columns=(
        _TYPE, _SIZE, _GRADE, _GROUP,
        count("lot_count", "meters of the lot in service"),
        text("code_letter", "sample size code letter of the plan"),
        count("sample_count", "meters to test"),
        count("accept_count", "meters out of limits up to which the lot is accepted"),
        number("accepted_at_aql_share", "probability of acceptance of a lot at the AQL"),
        number("good_lot_pct", "percent out of limits that is accepted 95 % of the time"),
        number("bad_lot_pct", "percent out of limits that is still accepted 10 % of the time"),
        count("tested_count", "meters tested"),
        count("out_count", "of these out of limits"),
        text("decision", "of the plan", allowed=("accepted", "rejected", "not decided")),
        number("out_pct", "share of tested meters out of limits", null="allowed"),
        number("out_low_pct", "low end for the lot, exact 90 % interval", null="allowed"),
        number("out_high_pct", "high end for the lot", null="allowed"),
        number("mean_pct", "mean weighted registration of tested meters", null="allowed"),
        number("mean_low_pct", "low end for the lot, 90 % interval", null="allowed"),
        number("mean_high_pct", "high end for the lot", null="allowed"),
    ),
)  # fmt: skip

SAMPLE: Final = Table(
    name="sample",
    meaning="Meters drawn at random from lots that are not decided.",
    grain="one row per meter",
    key=("account_id", "meter_id"),
    columns=(
        _ACCOUNT, _METER, _AREA, _TYPE, _SIZE, _GRADE, _GROUP,
        count("draw_order", "order in the lot; a meter that cannot be reached is left out and"
              " said so, not swapped for an easier one"),
        text("place", "where it is tested: bench or field"),
    ),
)  # fmt: skip

METER_OUTCOMES: Final = Table(
    name="outcomes",
    meaning="What each accuracy test leads to.",
    grain="one row per tested meter in service",
    key=("account_id", "meter_id"),
    columns=(
        _ACCOUNT, _METER, _AREA, _TYPE, _SIZE, _GRADE, _KIND,
        text("outcome", "pass, repair or replace", allowed=tuple(OUTCOMES)),
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
        number("repair_all_usd", "present value of repairs over it"),
        number("replace_usd", "present value of a new meter now instead of at its end"),
    ),
)  # fmt: skip

TEST_FLOWS: Final = Table(
    name="test_flows",
    meaning="Flows to test at, by type and size.",
    grain="one row per type, size, grade and flow",
    key=("meter_type", "size_in", "grade", "flow_gpm"),
    columns=(
        _TYPE, _SIZE, _GRADE,
        text("point", "place in the meter's range"),
        number("flow_gpm", "test flow", low=0),
        number("draft_gal", "volume to pass, where a rule says", null="allowed"),
    ),
)  # fmt: skip

FILES: Final = {t.name: t for t in (METERS_DUE, LOTS, SAMPLE, METER_OUTCOMES, TEST_FLOWS)}
"""Every file, by its name without `.csv`."""
