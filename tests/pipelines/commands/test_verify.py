"""`rightsize verify`: what came of change-outs, in words and as a list."""

from __future__ import annotations

import datetime as dt
import io
from dataclasses import replace

import duckdb
import polars as pl
import pytest
from rich.console import Console

from pipelines.commands.verify import show_verified, verified, write_verified
from pipelines.commands.verify_flow import flow_lines
from pipelines.stages.verify import past_promises
from pipelines.sweep.summary import show_summary
from rightsize.contracts.change_outs.gain_correction import GainCorrection, LearnedFactor
from rightsize.errors import ConfigError
from rightsize.settings import Thresholds
from rightsize.verify.leaks.leak_repair import learned_leak_repair
from tests.pipelines.published_sweep import put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep
from tests.unit.verify.test_leak_repair import rows as leak_rows


def gains(count=10, *, promised=6000.0, code=None):
    """Change-outs of accounts that use 100,000 gal a year, 3 % more after the change."""
    gain = [3000.0 + 100 * (n % 3 - 1) if code is None else None for n in range(count)]
    moved = [[None if g is None else g + by for g in gain] for by in (-500.0, 0.0, 500.0)]
    return pl.DataFrame(
        {
            "account_id": [f"{code or 'told'}-{n}" for n in range(count)],
            "removed_meter_id": [f"OLD{n}" for n in range(count)],
            "meter_id": [f"NEW{n}" for n in range(count)],
            "changed_on": [dt.date(2025, 6, 1)] * count,
            "kind": ["type"] * count,
            "record": ["meter_list"] * count,
            "code": pl.Series([code] * count, dtype=pl.String),
            "promised_sweep_id": ["s"] * count,
            "promised_gain_low_gal_per_year": [promised - 1000] * count,
            "promised_gain_gal_per_year": [promised + 10 * n for n in range(count)],
            "promised_gain_high_gal_per_year": [promised + 1000] * count,
            **{
                f"realised_gain_{end}gal_per_year": pl.Series(values, dtype=pl.Float64)
                for end, values in zip(("low_", "", "high_"), moved, strict=True)
            },
            **{
                f"realised_gain_{end}pct": pl.Series(values, dtype=pl.Float64) / 1000
                for end, values in zip(("low_", "", "high_"), moved, strict=True)
            },
            "days_before": [365.0] * count,
            "days_after": [180.0] * count,
            "matched_accounts": [20] * count,
            "is_weather_adjusted": [False] * count,
        }
    )


def publish(tmp_path, rows, **more):
    sweep = make_sweep(tmp_path, **more)
    put_out(replace(sweep, inputs=replace(sweep.inputs, realised_gain=rows)))
    return sweep.workspace


def said(workspace, units="us"):
    text = io.StringIO()
    outcome = verified(workspace.results)
    show_verified(outcome, Console(file=text, width=200), units=units)
    return text.getvalue()


def test_an_over_promise_shows_at_a_glance(tmp_path):
    text = said(publish(tmp_path, gains()))
    assert "10 change-outs, 10 with a gain that can be told" in text
    assert "Promises of 10 change-outs: less came than was promised" in text
    assert "-3.1 points of use" in text  # HAND: 2,990 less 6,045 of 100,000 gal a year


def test_the_output_fits_eighty_columns_and_says_what_is_next(tmp_path):
    """Only what is to be copied whole may be longer."""
    outcome = verified(publish(tmp_path, gains()).results)
    text = io.StringIO()
    show_verified(outcome, Console(file=text, width=80), units="us")
    lines = text.getvalue().splitlines()
    assert [n for n in lines if len(n) > 80 and not n.startswith("next: ")] == []
    assert any(n.startswith("next: have new meters tested") for n in lines)


def test_results_of_an_earlier_version_ask_for_a_sweep(tmp_path):
    workspace = publish(tmp_path, gains(2))
    with duckdb.connect(str(workspace.results)) as connection:
        connection.execute("drop view results.change_out_total")
        connection.execute("drop view results.change_out_result")
    with pytest.raises(ConfigError, match="earlier version; run `rightsize sweep` first"):
        verified(workspace.results)


def test_a_promise_that_held_is_not_called_an_over_promise(tmp_path):
    text = said(publish(tmp_path, gains(promised=2960.0)))
    assert "no difference that chance would not explain" in text


def test_change_outs_without_an_answer_are_counted_by_reason(tmp_path):
    rows = pl.concat([gains(2), gains(3, code="vacancy")])
    text = said(publish(tmp_path, rows))
    assert "5 change-outs, 2 with a gain that can be told" in text
    assert "3: the account stood next to unused for weeks (vacancy)" in text
    assert "2 change-outs have both a promise and a gain; with fewer than 8" in text


def test_a_fleet_without_change_outs_says_so(tmp_path):
    assert "0 change-outs, 0 with a gain" in said(publish(tmp_path, gains(0)))


def test_the_list_holds_every_change_out_in_the_units_of_the_results(tmp_path):
    outcome = verified(publish(tmp_path, gains(4)).results)
    write_verified(outcome, tmp_path / "us.csv", units="us")
    write_verified(outcome, tmp_path / "metric.csv", units="metric")
    us, metric = pl.read_csv(tmp_path / "us.csv"), pl.read_csv(tmp_path / "metric.csv")
    ratio = us["realised_gain_gal_per_year"] / metric["realised_gain_m3_per_year"]
    assert ratio.to_list() == pytest.approx([264.172] * 4, rel=1e-5)
    assert metric["realised_gain_pct"].to_list() == us["realised_gain_pct"].to_list()


def test_nothing_published_is_one_clear_message(tmp_path):
    with pytest.raises(ConfigError, match="run `rightsize sweep` first"):
        verified(tmp_path / "results.duckdb")


def test_promises_are_read_from_history(tmp_path):
    workspace = publish(tmp_path, gains(0))
    kept = past_promises(workspace)
    assert kept["promised_sweep_id"].n_unique() == 1
    assert kept["promised_type"].null_count() == 0
    assert kept["promised_gain_gal_per_year"].null_count() == 0


def test_a_metric_utilitys_promises_are_held_in_the_units_of_the_reads(tmp_path):
    """PLANTED: one fleet published in both systems promises the same gallons."""
    kept = {}
    for units in ("us", "metric"):
        sweep = make_sweep(tmp_path / units)
        put_out(sweep, units=units)
        kept[units] = past_promises(sweep.workspace)
    ours, metric = kept["us"], kept["metric"]
    assert ours.height > 0
    for name in ("promised_gain_gal_per_year", "promised_size_in"):
        assert metric[name].to_list() == pytest.approx(ours[name].to_list(), rel=1e-9)
    assert metric["promised_type"].equals(ours["promised_type"])


class TestFlow:
    """Low flow and new steady flow in the words of the command."""

    def rows(self, count=6):
        return pl.DataFrame(
            {
                "low_flow_before_gal_per_year": [36525.0] * count,
                "low_flow_after_gal_per_year": [73050.0] * (count - 1) + [None],
                "missed_inferred_gal_per_year": [91312.5] + [None] * (count - 1),
                "steady_new_gpm": [0.5] * count,
                **{
                    f"steady_left_{months}_months_share": pl.Series(
                        [share] * count, dtype=pl.Float64
                    )
                    for months, share in ((3, 1.0), (6, 0.5), (12, None), (36, None))
                },
            }
        )

    def test_what_showed_and_what_is_left(self):
        """HAND: 36,525 gal a year are 100 gal a day; five cases have both sides."""
        low, steady = flow_lines(self.rows(), "us")
        assert "5 change-outs registered 500 gal a day below" in low
        assert "before and 1,000 after" in low
        assert "1 of them with a promise 100 more, where its sweep inferred 250 that" in low
        assert "6 change-outs show 3 gpm day and night" in steady
        assert "100 % (61 to 100) after 3 months, 50 % (" in steady

    def test_a_metric_utility_reads_cubic_meters(self):
        low, steady = flow_lines(self.rows(), "metric")
        assert "registered 1.89 m³ a day" in low
        assert "show 0.681 m³/h" in steady

    def test_few_cases_say_no_share_and_none_say_nothing(self):
        *_, steady = flow_lines(self.rows(3), "us")
        assert steady.endswith("not seen before, too few to say how long it stays.")
        assert list(flow_lines(self.rows().clear(), "us")) == []


@pytest.mark.parametrize(("count", "words"), [
    (25, "Gains are corrected by 25 past change-outs: multiplied by 0.80 (0.70 to 0.75"),
    (7, "Gains are not corrected: correct_gains needs 20 past change-outs with a promise and a"
        " gain; there are 7."),
    (None, None),
])  # fmt: skip
def test_the_summary_of_a_sweep_says_whether_gains_are_corrected(tmp_path, count, words):
    sweep = make_sweep(tmp_path)
    factors = (
        ((), 0.8),
        (("turbine",), 0.75),
        (("turbine", 2.0), 0.72),
        (("turbine", 2.0, "hotel"), 0.7),
        (("turbine", 2.0, "public"), 0.75),
    )
    learned = GainCorrection(
        count or 0,
        20,
        tuple(LearnedFactor(g, f, 0.1, 9) for g, f in factors if (count or 0) > 19),
    )
    more = {} if count is None else {"gain_correction": learned.document}
    documents = {**sweep.record.documents, **more}
    put_out(replace(sweep, record=replace(sweep.record, documents=documents)))
    text = io.StringIO()
    show_summary(sweep.workspace.results, Console(file=text, width=200))
    if words is None:
        assert "correct" not in text.getvalue()
    else:
        assert words in text.getvalue()


@pytest.mark.parametrize("is_learned", [True, False])
def test_the_summary_of_a_sweep_says_what_leaks_that_went_on_teach(tmp_path, is_learned):
    sweep = make_sweep(tmp_path)
    left = {"m3": [1.0] * 5 + [0.0] * 5} if is_learned else {}
    learned = learned_leak_repair(leak_rows(**left), Thresholds().model_dump())
    more = {"leak_repair": learned.document} if learned.is_applied else {}
    documents = {**sweep.record.documents, **more}
    put_out(replace(sweep, record=replace(sweep.record, documents=documents)))
    text = io.StringIO()
    show_summary(sweep.workspace.results, Console(file=text, width=200))
    words = "still runs: 62 % after 3 months (50 % in 10 cases, 80 % set)."
    assert (words in text.getvalue()) == is_learned
    assert ("Steady flow" in text.getvalue()) == is_learned
