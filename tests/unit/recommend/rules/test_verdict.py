"""Verdicts and actions, each rule both ways."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from rightsize.contracts.columns import VERDICTS
from rightsize.recommend.rules.verdict import actions, verdicts


def verdict(**changes: bool) -> str:
    flags = {
        "is_assessed": True,
        "is_undersized": False,
        "has_choice": False,
        "has_smaller": False,
    } | changes
    return str(verdicts(**{k: np.array([v]) for k, v in flags.items()})[0])


@pytest.mark.parametrize(
    ("flags", "expected"),
    [
        ({}, "fits"),
        ({"is_assessed": False, "is_undersized": True, "has_choice": True}, "not_assessed"),
        ({"is_undersized": True, "has_choice": True, "has_smaller": True}, "undersized"),
        ({"has_choice": True, "has_smaller": True}, "oversized"),
        ({"has_choice": True}, "wrong_type"),
    ],
)
def test_verdicts_come_in_the_order_of_their_definitions(
    flags: dict[str, bool], expected: str
) -> None:
    assert verdict(**flags) == expected


def action(named: str, **changes: Any) -> str:
    flags = {
        "has_choice": False,
        "is_shown": True,
        "is_worth_logging": False,
        "is_critical": False,
        "is_fire": False,
        "is_fire_unverified": False,
        "is_stopped": False,
    } | changes
    return str(actions(np.array([named]), **{k: np.array([v]) for k, v in flags.items()})[0])


@pytest.mark.parametrize(
    ("named", "flags", "expected"),
    [
        ("oversized", {"has_choice": True}, "change"),
        ("wrong_type", {"has_choice": True}, "change"),
        ("oversized", {"has_choice": True, "is_critical": True}, "refer"),
        ("fits", {"is_critical": True}, "keep"),
        ("undersized", {"has_choice": True}, "change"),
        ("undersized", {"has_choice": True, "is_shown": False}, "log_first"),
        ("undersized", {"has_choice": True, "is_shown": False, "is_critical": True}, "refer"),
        ("undersized", {"is_shown": False}, "refer"),
        ("oversized", {"has_choice": True, "is_shown": False}, "change"),
        ("undersized", {"has_choice": False}, "refer"),
        ("fits", {"is_worth_logging": True}, "log_first"),
        ("fits", {}, "keep"),
        ("not_assessed", {"is_fire": True}, "refer"),
        ("not_assessed", {"is_worth_logging": True}, "keep"),
        ("oversized", {"has_choice": True, "is_stopped": True}, "refer"),
        ("fits", {"is_worth_logging": True, "is_stopped": True}, "refer"),
        ("fits", {"is_stopped": True}, "refer"),
        ("not_assessed", {"is_stopped": True}, "refer"),
        ("oversized", {"has_choice": True, "is_fire_unverified": True}, "refer"),
        ("undersized", {"has_choice": True, "is_fire_unverified": True}, "refer"),
        ("fits", {"is_worth_logging": True, "is_fire_unverified": True}, "refer"),
        ("fits", {"is_fire_unverified": True}, "refer"),
        ("not_assessed", {"is_fire_unverified": True}, "keep"),
    ],
)
def test_actions(named: str, flags: dict[str, bool], expected: str) -> None:
    assert action(named, **flags) == expected


@pytest.mark.parametrize("named", VERDICTS)
@pytest.mark.parametrize("flag", ["is_stopped", "is_fire"])
def test_a_stopped_meter_or_fire_line_is_referred_whatever_else_holds(
    named: str, flag: str
) -> None:
    """The law: over every combination of the other flags."""
    others = ("has_choice", "is_worth_logging", "is_critical", "is_fire_unverified")
    for values in itertools.product((False, True), repeat=len(others)):
        changes = dict(zip(others, values, strict=True)) | {flag: True}
        assert action(named, **changes) == "refer"
