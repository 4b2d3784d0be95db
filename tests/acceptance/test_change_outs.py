"""Planted change-outs of a demo: each is told as what it is, and the over-promise shows."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipelines.commands.verify import Verified, verified
from pipelines.demo.changed.pilot import pilot_file
from pipelines.demo.changed.planted import CHANGE_OUTS, LEAST_ACCOUNTS
from tests.acceptance.demo_run import ask, results_of, run, sweep_demo

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

RESULT = """
    select
        account_id, standing, kind, code, came, against_promise, promised_sweep_id,
        promised_gain_gal_per_year, realised_gain_low_pct, realised_gain_pct,
        realised_gain_high_pct, realised_to_date_usd
    from change_out_result
"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory) -> Path:
    swept = sweep_demo(tmp_path_factory.mktemp("changed") / "demo", accounts=LEAST_ACCOUNTS)
    assert swept.ended.code == 0, swept.ended.text
    return swept.folder


@pytest.fixture(scope="module")
def told(demo) -> pl.DataFrame:
    """What the sweep tells of each planted change-out, beside its truth."""
    names = [n.strip() for n in RESULT.split("select")[1].split("from")[0].split(",")]
    found = pl.DataFrame(ask(demo, RESULT), schema=names, orient="row")
    truth = pl.read_csv(demo / "truth/change_outs.csv")
    return truth.join(found, on="account_id", how="left", validate="1:1")


@pytest.fixture(scope="module")
def outcome(demo) -> Verified:
    return verified(results_of(demo))


def of(told: pl.DataFrame, planted: str) -> pl.DataFrame:
    found = told.filter(pl.col("outcome") == planted)
    assert found.height > 0
    return found


def test_every_planted_change_out_is_told(told):
    assert told.height == len(CHANGE_OUTS)
    assert told["standing"].null_count() == 0


def test_true_gains_are_told_as_gains(told):
    gains = of(told, "gain")
    assert (gains["came"] == "gain").all()


def test_the_truth_lies_in_the_ranges(told):
    """PLANTED: 90 % ranges; 19 of them that hold the truth fewer than 15 times are a defect
    (a binomial of 0.9 does so in 1 of 100 fleets)."""
    judged = told.filter(pl.col("standing") == "judged")
    inside = judged.filter(
        pl.col("true_gain_pct").is_between(
            pl.col("realised_gain_low_pct"), pl.col("realised_gain_high_pct")
        )
    )
    assert judged.height >= 17
    assert inside.height >= judged.height - 4


@pytest.mark.parametrize("code", ["vacancy", "leak_repaired", "multiplier"])
def test_other_events_are_set_aside_with_their_reason(told, code):
    found = of(told, code)
    assert found["code"].to_list() == [code] * found.height
    assert (found["standing"] == "set_aside").all()
    assert found["realised_gain_pct"].null_count() == found.height


def test_a_worn_meter_replaced_by_its_like_is_a_gain_of_its_own_kind(told):
    worn = of(told, "worn")
    assert (worn["kind"] == "like_for_like").all()
    assert (worn["came"] == "gain").all()
    assert worn["promised_sweep_id"].null_count() == worn.height


def test_a_worse_meter_is_told_as_a_loss(told):
    worse = of(told, "worse")
    assert (worse["came"] == "loss").all()
    assert (worse["realised_to_date_usd"] < 0).all()


def test_a_change_out_of_last_month_is_too_young(told):
    assert of(told, "young")["standing"].to_list() == ["too_young"]


def test_the_promise_is_the_one_that_was_published_before_the_change(told):
    """The newest sweep no longer recommends these meters: they stand in the ground."""
    kept = pl.read_parquet(pilot_file("recommendation")).select(
        "account_id", "sweep_id", kept_gal="volume_gain_gal_per_year"
    )
    held = told.filter(pl.col("promised_sweep_id").is_not_null()).join(kept, on="account_id")
    assert held.height >= 16
    assert (held["promised_sweep_id"] == held["sweep_id"]).all()
    assert (held["promised_gain_gal_per_year"] == held["kept_gal"]).all()


def test_the_planted_over_promise_is_found(told, outcome):
    """PLANTED: a bad batch brings a quarter of what its curve says."""
    short = of(told, "over_promise")
    assert (short["against_promise"] == "short").all()
    assert outcome.calibration is not None
    assert outcome.calibration.is_over_promised
    assert outcome.calibration.bias_probability < 0.01


def test_the_over_promise_shows_at_a_glance(demo):
    pages = demo / "workspace/published/pages"
    page = (pages / "outcome.html").read_text(encoding="utf-8")
    assert "Less came than was promised" in page.split("</h1>")[0]
    assert "Promised against realized" in page
    assert 'href="outcome.html"' in (pages / "index.html").read_text(encoding="utf-8")
    said = run("verify", demo / "sweep.yaml")
    assert said.code == 0
    assert "less came than was promised" in said.text
    assert "against_promise = 'short'" in said.text


def test_a_site_page_tells_what_came(demo, tmp_path):
    assert run("evidence", demo / "sweep.yaml", "A-9001", "--to", tmp_path).code == 0
    (page,) = tmp_path.glob("*.html")
    text = page.read_text(encoding="utf-8")
    assert "What came of past change-outs" in text
    assert "Promised before" in text
    assert "of the use before" in text


def test_the_fleets_own_early_change_outs_are_refused_with_their_reason(demo):
    """They lie two and a half months after the first read: half a year is needed."""
    codes = ask(
        demo, "select distinct code from change_out_result where account_id not like 'A-9%'"
    )
    assert codes == [("too_few_periods_before",)]
