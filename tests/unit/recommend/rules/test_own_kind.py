"""Services of a kind of their own and meters side by side are for engineering review."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rightsize.contracts.site_record import SiteRecord
from rightsize.recommend.rules.own_kind import (
    MANIFOLD,
    MAYBE_MANIFOLD,
    OWN_KINDS,
    UNRECORDED,
    own_kind,
)
from rightsize.settings import SERVICE_KINDS
from tests.unit.recommend.one_account import decided, row, sold

SMALLER = sold("displacement", 1.5, 100, 400)
PAYS = [[100_000.0] * 10]
NOTHING = [[0.0] * 10]


@pytest.mark.parametrize("kind", [k for k in SERVICE_KINDS if k not in ("fire", "combined")])
def test_a_change_of_such_a_service_is_referred_with_its_reason(kind: str) -> None:
    told = row(decided([SMALLER], PAYS, service_kind=(kind,)))
    assert told["verdict"] == "wrong_type"
    assert told["action"] == ("refer" if kind in OWN_KINDS else "change")
    if kind in OWN_KINDS:
        assert f"{OWN_KINDS[kind]}: engineering review" in told["reason"]


@pytest.mark.parametrize("kind", OWN_KINDS)
def test_one_that_fits_is_kept(kind: str) -> None:
    told = row(decided([SMALLER], NOTHING, service_kind=(kind,)))
    assert (told["verdict"], told["action"]) == ("fits", "keep")
    assert "engineering review" not in told["reason"]


def test_meters_side_by_side_are_sized_together() -> None:
    record = replace(SiteRecord.blank(1), manifold=("pump house",))
    told = row(decided([SMALLER], PAYS, record=record))
    assert told["action"] == "refer"
    assert MANIFOLD in told["reason"]
    assert row(decided([SMALLER], PAYS, record=SiteRecord.blank(1)))["action"] == "change"


def test_the_kind_comes_before_the_manifold() -> None:
    why = own_kind(("deduct", "domestic", "domestic"), ("a", "a", None)).to_list()
    assert why == [OWN_KINDS["deduct"], MANIFOLD, None]


def test_meters_that_may_be_side_by_side_are_sized_together_too() -> None:
    record = replace(SiteRecord.blank(1), manifold=(f"{UNRECORDED}A-1",))
    told = row(decided([SMALLER], PAYS, record=record))
    assert told["action"] == "refer"
    assert f"{MAYBE_MANIFOLD}: engineering review" in told["reason"]
    kept = row(decided([SMALLER], NOTHING, record=record))
    assert kept["action"] == "keep"
