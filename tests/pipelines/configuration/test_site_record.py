"""Which meters are, or may be, side by side: from the record, both ways."""

from __future__ import annotations

import polars as pl
import pytest

from pipelines.configuration.site_record import with_manifold
from rightsize.recommend.rules.own_kind import UNRECORDED

SAME = {"account_id": "A", "service_kind": "domestic", "service_address": "2 Mill Lane"}
MAY_BE = f"{UNRECORDED}A"


def groups(*rows):
    """The group of each meter; what is not said is as of its twin."""
    held = [{**SAME, "manifold": None, "meter_id": f"M{k}", **r} for k, r in enumerate(rows)]
    frame = pl.DataFrame(held, schema_overrides={"manifold": pl.String})
    return with_manifold(frame)["manifold"].to_list()


def test_a_meter_by_itself_is_in_no_group():
    assert groups({}) == [None]
    assert groups({"manifold": "west"}) == ["west"]


def test_two_meters_of_one_account_service_and_address_may_be_side_by_side():
    assert groups({}, {}) == [MAY_BE, MAY_BE]


@pytest.mark.parametrize("other", [
    {"account_id": "B"}, {"service_kind": "irrigation"}, {"service_address": "4 Mill Lane"},
])  # fmt: skip
def test_meters_of_another_account_service_or_address_are_not(other):
    assert groups({}, other) == [None, None]


@pytest.mark.parametrize("address", [None, ""])
def test_without_an_address_nothing_says_so(address):
    assert groups({"service_address": address}, {"service_address": address}) == [None, None]


@pytest.mark.parametrize("word", ["none", "None"])
def test_the_record_may_say_that_they_stand_alone(word):
    assert groups({"manifold": word}, {"manifold": word}) == [None, None]
    assert groups({"manifold": word}, {}, {}) == [None, MAY_BE, MAY_BE]


def test_a_recorded_group_stays_as_it_is():
    assert groups({"manifold": "west"}, {"manifold": "west"}, {}) == ["west", "west", None]
