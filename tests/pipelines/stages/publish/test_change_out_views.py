"""The views on change-outs: standings, promises, money to date, totals, in both units."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from rightsize.contracts.realised_gain import NO_GAIN_CODES, SET_ASIDE
from rightsize.units import GAL_PER_M3
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.change_outs import USE_GAL_PER_YEAR, with_change_outs
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    made = {}
    for units in ("us", "metric"):
        sweep = make_sweep(tmp_path_factory.mktemp(units))
        put_out(with_change_outs(sweep), units=units)
        made[units] = sweep.workspace.results
    return made


def test_every_change_out_stands_once(results):
    """LAW: each row of the table has one row in the view, with one standing."""
    rows = ask(results["us"], "select standing, count(*) from change_out_result group by all")
    # HAND: 28 rows, seven codes in turn, three of them none
    assert dict(rows) == {"judged": 12, "too_young": 4, "set_aside": 8, "refused": 4}
    (total,) = ask(
        results["us"],
        "select change_outs, judged + too_young + set_aside + refused from change_out_total"
        " where scope = 'all'",
    )
    assert total == (28, 28)


@pytest.mark.parametrize("code", NO_GAIN_CODES)
def test_the_view_knows_the_contracts_codes(results, code):
    """A code is set aside in the view exactly if it is in the contract."""
    (definition,) = ask(
        results["us"], "select sql from duckdb_views() where view_name = 'change_out_result'"
    )[0]
    assert (f"'{code}'" in definition) == (code in SET_ASIDE or code == "too_few_periods_after")


def test_a_promise_is_short_if_the_whole_range_lies_below_it(results):
    """HAND: 10,000 gal promised, 100,000 gal used: 10 %; ranges reach 3 points."""
    rows = ask(
        results["us"],
        "select distinct realised_gain_pct, came, against_promise, promised_gain_pct"
        " from change_out_result where standing = 'judged' order by 1",
    )
    assert [r[:3] for r in rows] == [
        (-4.0, "loss", "short"),
        (0.0, "not_shown", "short"),
        (4.0, "gain", "short"),
        (8.0, "gain", "held"),
        (12.0, "gain", "held"),
    ]
    assert [r[3] for r in rows] == pytest.approx([10.0] * 5)


def test_money_to_date_is_the_gain_over_the_days_with_reads(results):
    """ANALYTIC: gal/year times days / 365.25, at the price of the class's recommendations."""
    rows = ask(
        results["us"],
        """
        with price as (
            select
                customer_class,
                sum(revenue_gain_usd_per_year) / sum(volume_gain_gal_per_year) as usd_per_gal
            from latest_recommendation where volume_gain_gal_per_year > 0 group by all
        )
        select
            r.realised_to_date_gal, r.realised_gain_pct, r.realised_to_date_usd,
            price.usd_per_gal
        from change_out_result as r inner join price using (customer_class)
        where r.standing = 'judged'
        """,
    )
    assert rows
    for gal, gain_pct, usd, price in rows:
        assert gal == pytest.approx(gain_pct / 100 * USE_GAL_PER_YEAR * 180 / 365.25)
        assert usd == pytest.approx(gal * price)


@pytest.mark.parametrize("scope", ["kind", "type", "size", "class"])
def test_parts_add_up_to_all(results, scope):
    """ANALYTIC: the parts of a scope are all change-outs, once."""
    columns = (
        "change_outs, judged, too_young, set_aside, refused, promises, promises_short,"
        " realised_gain_gal_per_year, promised_gain_gal_per_year, realised_to_date_gal"
    )
    summed = ", ".join(f"sum({c.strip()})" for c in columns.split(","))
    (parts,) = ask(
        results["us"], f"select {summed} from change_out_total where scope = '{scope}'"
    )
    (whole,) = ask(results["us"], f"select {columns} from change_out_total where scope = 'all'")
    assert parts == pytest.approx(whole)


def test_the_range_of_a_total_is_that_of_independent_cases(results):
    """HAND: twelve cases of half-width 3,000 gal: sqrt(12) times 3,000."""
    (row,) = ask(
        results["us"],
        "select realised_gain_gal_per_year, realised_gain_low_gal_per_year,"
        " realised_gain_high_gal_per_year from change_out_total where scope = 'all'",
    )
    middle, low, high = row
    assert high - middle == pytest.approx(12**0.5 * 3000)
    assert middle - low == pytest.approx(12**0.5 * 3000)


def test_a_range_without_width_gives_no_promised_share(tmp_path):
    """A share needs the use, which a range without width does not tell: null, not NaN."""
    sweep = with_change_outs(make_sweep(tmp_path), 1)
    flat = sweep.inputs.realised_gain.with_columns(
        **{
            f"realised_gain_{end}_{unit}": pl.col(f"realised_gain_{unit}")
            for end in ("low", "high")
            for unit in ("pct", "gal_per_year")
        }
    )
    put_out(replace(sweep, inputs=replace(sweep.inputs, realised_gain=flat)))
    rows = ask(
        sweep.workspace.results,
        "select standing, promised_gain_pct, realised_gain_pct from change_out_result",
    )
    assert rows == [("judged", None, 12.0)]


def test_a_metric_utility_reads_the_same_in_its_own_units(results):
    us = ask(
        results["us"],
        "select account_id, standing, came, against_promise, promised_gain_pct,"
        " realised_to_date_usd, realised_gain_gal_per_year from change_out_result order by 1",
    )
    metric = ask(
        results["metric"],
        "select account_id, standing, came, against_promise, promised_gain_pct,"
        " realised_to_date_usd, realised_gain_m3_per_year from change_out_result order by 1",
    )
    for ours, theirs in zip(us, metric, strict=True):
        assert theirs[:4] == ours[:4]
        if ours[6] is not None:
            assert theirs[4:6] == pytest.approx(ours[4:6])
            assert theirs[6] * GAL_PER_M3 == pytest.approx(ours[6])
