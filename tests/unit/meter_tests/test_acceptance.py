"""Sampling plans against published tables, and what they accept against exact probability."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.meter_tests.acceptance import (
    AQL_PCT,
    LETTERS,
    LOT_SIZES,
    Plan,
    acceptance_probability,
    bad_share_accepted,
    code_letter,
    plan_of,
    process_acceptance_probability,
)

# STANDARD READ: MIL-STD-105E Tables I and II-A, level II, single sampling, normal inspection,
# as printed in a quality assurance guide of the National Institute of Building Sciences:
# letter, sample size and rejection number at AQL 0.65, 1.0, 1.5, 2.5, 4.0 and 6.5; v and ^ are
# arrows, a dot lies on an arrow.
PRINTED = """
A    2   .  .  .  .  v  1
B    3   .  .  .  v  1  ^
C    5   .  .  v  1  ^  v
D    8   .  v  1  ^  v  2
E   13   v  1  ^  v  2  3
F   20   1  ^  v  2  3  4
G   32   ^  v  2  3  4  6
H   50   v  2  3  4  6  8
J   80   2  3  4  6  8 11
K  125   3  4  6  8 11 15
L  200   4  6  8 11 15 22
M  315   6  8 11 15 22  ^
N  500   8 11 15 22  ^  .
P  800  11 15 22  ^  .  .
Q 1250  15 22  ^  .  .  .
"""
PRINTED_AQL = (0.65, 1.0, 1.5, 2.5, 4.0, 6.5)
ROWS = [line.split() for line in PRINTED.split("\n") if line]
LOTS_II = dict(zip("ABCDEFGHJKLMNP", LOT_SIZES, strict=True)) | {"Q": 600_000}


def printed_plan(row: int, column: int) -> tuple[int, int]:
    """Sample size and rejection number of the printed table, arrows followed."""
    below = any(ROWS[r][2 + column].isdigit() for r in range(row, len(ROWS)))
    step = -1 if ROWS[row][2 + column] == "^" or not below else 1
    while not ROWS[row][2 + column].isdigit():
        row += step
    return int(ROWS[row][1]), int(ROWS[row][2 + column])


@pytest.mark.parametrize("column", range(len(PRINTED_AQL)))
@pytest.mark.parametrize("row", range(len(ROWS)))
def test_plans_are_those_of_the_printed_table(row: int, column: int) -> None:
    lot = LOTS_II[ROWS[row][0]]
    size, reject = printed_plan(row, column)
    plan = plan_of(lot, PRINTED_AQL[column])
    assert plan.reject == reject
    assert plan.sample_count == min(size, lot)


# STANDARD READ: Table I as printed on a chart of ANSI/ASQC Z1.4, MIL-STD-105E and ISO 2859.
@pytest.mark.parametrize(
    ("lot", "letters"),
    [(8, "AAB"), (15, "ABC"), (16, "BCD"), (50, "CDE"), (51, "CEF"), (150, "DFG"),
     (280, "EGH"), (500, "FHJ"), (1200, "GJK"), (1201, "HKL"), (3201, "JLM"),
     (35_000, "KMN"), (150_000, "LNP"), (500_000, "MPQ"), (500_001, "NQR")],
)  # fmt: skip
def test_code_letters(lot: int, letters: str) -> None:
    assert "".join(code_letter(lot, level) for level in ("I", "II", "III")) == letters


# STANDARD READ: 7 CFR 42.140(c), OC curve 6 for AQL 0.25, plan of 500 with at most 3: lots with
# 1.0 defects per hundred are accepted 26 % of the time, with 0.10 about 99 %.
@pytest.mark.parametrize(
    ("share", "accepted", "within"), [(0.01, 0.26, 0.006), (0.001, 0.99, 0.01)]
)
def test_published_operating_characteristic(
    share: float, accepted: float, within: float
) -> None:
    found = process_acceptance_probability(Plan("", 500, 3), share)
    assert found == pytest.approx(accepted, abs=within)


# STANDARD MEM-H: MIL-STD-105E Table X-K-1, n 125, AQL 1.0 (Ac 3): percent nonconforming at
# which lots are accepted with probability 0.95, 0.50, 0.10; computed there by Poisson, which
# is within 0.08 points of the binomial here.
@pytest.mark.parametrize(("pct", "accepted"), [(1.09, 0.95), (2.94, 0.50), (5.35, 0.10)])
def test_tabled_values_of_letter_k(pct: float, accepted: float) -> None:
    plan = plan_of(3200, 1.0)
    assert (plan.letter, plan.sample_count, plan.accept) == ("K", 125, 3)
    assert process_acceptance_probability(plan, pct / 100) == pytest.approx(accepted, abs=0.012)


# ANALYTIC: of 10 meters 2 are out of limits; 3 are drawn, none may be: C(8,3) / C(10,3).
def test_a_small_lot_by_hand() -> None:
    plan = Plan("", 3, 0)
    by_hand = math.comb(8, 3) / math.comb(10, 3)
    assert acceptance_probability(plan, 2, lot_count=10) == pytest.approx(by_hand)


@given(
    st.integers(2, 60_000), st.sampled_from(AQL_PCT[9:]), st.sampled_from(["I", "II", "III"])
)
def test_laws_of_a_plan(lot: int, aql: float, level: str) -> None:
    plan = plan_of(lot, aql, level)
    assert 1 <= plan.sample_count <= lot
    assert plan.accept >= 0
    bad = np.unique(np.linspace(0, lot, 40).astype(int))
    curve = acceptance_probability(plan, bad, lot_count=lot)
    assert curve[0] == pytest.approx(1)
    assert (np.diff(curve) <= 1e-9).all()  # a worse lot is never accepted more often
    assert plan_of(lot, aql, level).letter in LETTERS


@given(st.integers(2, 20_000), st.sampled_from(AQL_PCT[9:]))
def test_share_accepted_is_where_the_curve_crosses(lot: int, aql: float) -> None:
    plan = plan_of(lot, aql)
    held = round(bad_share_accepted(plan, lot, 0.1) * lot)
    assert acceptance_probability(plan, held, lot_count=lot) >= 0.1
    if held < lot:
        assert acceptance_probability(plan, held + 1, lot_count=lot) < 0.1


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: plan_of(100, 3.0), "aql_pct must be one of"),
        (lambda: plan_of(1, 4.0), "at least 2 meters"),
        (lambda: code_letter(100, "S-1"), "unknown inspection level"),
    ],
)
def test_what_the_tables_do_not_hold_is_refused(call, match) -> None:
    with pytest.raises(ValueError, match=match):
        call()
