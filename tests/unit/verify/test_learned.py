"""The correction that rows of realised_gain teach."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.verify.correction import LEAST_CASES
from rightsize.verify.learned import learned_correction

BASE_GAL = 100_000.0


def rows(count=40, *, came=0.5, applied=1.0, seed=3):
    """Change-outs of which a share of the first promise came, measured within 0.5 points."""
    rng = np.random.default_rng(seed)
    promised = rng.uniform(3000, 9000, count)
    gain = came * promised + rng.normal(0, 300, count)
    ends = {"": 0.0, "_low": -500.0, "_high": 500.0}
    return pl.DataFrame(
        {
            "account_id": [f"A{n}" for n in range(count)],
            "meter_id": [f"M{n}" for n in range(count)],
            "promised_correction_factor": [applied] * count,
            **{
                f"promised_gain{e}_gal_per_year": applied * (promised + by)
                for e, by in ends.items()
            },
            **{f"realised_gain{e}_gal_per_year": gain + by for e, by in ends.items()},
            **{f"realised_gain{e}_pct": (gain + by) / BASE_GAL * 100 for e, by in ends.items()},
        }
    )


def meters(count=40):
    return pl.DataFrame(
        {
            "account_id": [f"A{n}" for n in range(count)],
            "meter_id": [f"M{n}" for n in range(count)],
            "meter_type": ["compound" if n % 2 else "ultrasonic" for n in range(count)],
            "size_in": [2.0] * count,
            "customer_class": ["hotel"] * count,
        }
    )


def factor(made, group=()):
    return next(f.factor for f in made.factors if f.group == group)


def test_a_planted_share_is_learned():
    """PLANTED: half of every promise came."""
    made = learned_correction(rows(), meters())
    assert (made.case_count, made.least_count, made.is_applied) == (40, LEAST_CASES, True)
    assert factor(made) == pytest.approx(0.5, abs=0.05)
    assert factor(made, ("compound", 2.0, "hotel")) == pytest.approx(0.5, abs=0.07)


def test_promises_that_were_corrected_already_count_as_they_were_before():
    """Half of the first promise came; promises that say half are not halved again."""
    plain = learned_correction(rows(), meters())
    again = learned_correction(rows(applied=0.5), meters())
    assert factor(again) == pytest.approx(factor(plain), rel=1e-9)


@pytest.mark.parametrize(
    ("count", "is_applied"), [(LEAST_CASES - 1, False), (LEAST_CASES, True)]
)
def test_few_cases_correct_nothing(count, is_applied):
    made = learned_correction(rows(count), meters())
    assert made.is_applied == is_applied
    assert made.document["is_applied"] == is_applied
    assert made.document["case_count"] == count


def test_cases_without_a_gain_or_a_promise_do_not_count():
    blank = pl.when(pl.int_range(pl.len()) > 4)
    made = rows().with_columns(blank.then("realised_gain_pct"))
    assert learned_correction(made, meters()).case_count == 35
    made = rows().with_columns(blank.then("promised_gain_gal_per_year"))
    assert learned_correction(made, meters()).case_count == 35


def test_a_promise_that_was_taken_away_whole_teaches_nothing():
    assert learned_correction(rows(applied=0.0), meters()).case_count == 0


def test_no_rows_correct_nothing():
    assert learned_correction(rows().clear(), meters()).factors == ()
