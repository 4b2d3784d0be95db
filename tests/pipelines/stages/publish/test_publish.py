"""What is published, that a failed check publishes nothing, and units."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from dataclasses import replace

import polars as pl
import pytest

from rightsize.contracts.frames import promises
from rightsize.contracts.results import (
    BLOCK_TABLES,
    CANDIDATE,
    FINDING,
    FLOW_BAND,
    NOT_ASSESSED,
    PROFILE,
    RECOMMENDATION,
    RESULT_TABLES,
)
from rightsize.contracts.views import VIEWS
from rightsize.errors import ContractError
from rightsize.units import GAL_PER_M3, GPM_PER_M3H
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep, write_blocks


def _columns(path, table):
    return [r[0] for r in ask(path, f"select column_name from (describe results.{table})")]


@pytest.mark.parametrize("table", RESULT_TABLES, ids=lambda t: t.name)
def test_a_published_table_is_its_contract(published, table):
    assert _columns(published.workspace.results, table.name) == list(table.column_names)


@pytest.mark.parametrize("table", BLOCK_TABLES, ids=lambda t: t.name)
def test_every_row_of_a_block_is_published(published, answer, table):
    rows = published.frames[table.name].height
    added = 4 if table is RECOMMENDATION else 0  # accounts that are not assessed
    assert answer(f"select count(*) from results.{table.name}") == [(rows + added,)]


def test_values_are_published_as_the_block_said_them(published, answer):
    want = published.frames["profile"].sort("account_id")["registered_gal_per_year"].to_list()
    rows = answer("select registered_gal_per_year from results.profile order by account_id")
    assert [r[0] for r in rows] == want


def test_an_account_without_a_verdict_shows_with_its_reason(answer):
    rows = answer(
        "select account_id, verdict, settled_verdict, action, accuracy_gain_pct, reason"
        " from latest_recommendation where account_id = 'A000009'"
    )
    reason = "41 days covered, 90 are asked for"
    assert rows == [("A000009", "not_assessed", "not_assessed", "keep", None, reason)]


def test_every_column_of_every_table_and_view_says_what_it_means(answer):
    silent = answer(
        "select table_name, column_name from duckdb_columns()"
        " where database_name = 'results' and coalesce(comment, '') = ''"
    )
    assert silent == []
    assert answer("select count(*) from duckdb_views() where not internal")[0][0] == len(VIEWS)


def test_the_sweep_row_carries_the_balance(answer):
    rows = answer(
        "select accounts, assessed, not_assessed, rows_landed, rows_rejected from results.sweep"
    )
    assert rows == [(40, 36, 4, 1603, 3)]


def test_refused_rows_are_published_with_file_line_and_rule(answer):
    rows = answer(
        "select source_file, source_line, rule, value from rejected_read order by source_line"
    )
    assert rows[1] == ("exports/reads-1.csv", 13, "volume_is_a_number", "=1+1")
    assert len(rows) == 3


def test_a_database_copied_under_another_name_still_answers(published, tmp_path):
    copy = tmp_path / "mine.duckdb"
    copy.write_bytes(published.workspace.results.read_bytes())
    for view in VIEWS:
        ask(copy, f"select count(*) from {view.name}")


def test_the_parquet_twin_holds_the_same_rows(published, answer):
    folder = published.workspace.published / "parquet"
    for table in RESULT_TABLES:
        rows = answer(f"select count(*) from results.{table.name}")[0][0]
        frame = pl.read_parquet(folder / table.name / "*.parquet")
        assert (frame.height, frame.columns) == (rows, list(table.column_names)), table.name
    latest = pl.read_parquet(folder / "latest_recommendation.parquet")
    assert latest.height == 40


def test_two_findings_of_one_kind_on_a_meter_become_one_with_both_messages(tmp_path):
    sweep = make_sweep(tmp_path)
    found = sweep.frames["finding"].head(1)
    again = found.with_columns(severity=pl.lit("serious"), message=pl.lit("and again"))
    write_blocks(sweep.workspace, sweep.record, FINDING, pl.concat([found, again, again]))
    put_out(sweep)
    rows = ask(sweep.workspace.results, "select severity, message from finding")
    assert rows == [
        ("serious", "and again / the flow never fell below 0.2 gpm in 365 days"),
    ]


def test_verified_change_outs_are_published(tmp_path):
    sweep = make_sweep(tmp_path)
    gain = pl.DataFrame(
        {
            "account_id": ["A000000"],
            "removed_meter_id": ["OLD"],
            "meter_id": ["M000000"],
            "changed_on": [dt.date(2025, 6, 1)],
            "kind": ["type"],
            "record": ["both"],
            "promised_gain_gal_per_year": [1000.0],
            "realised_gain_gal_per_year": [900.0],
            "days_before": [365.0],
            "days_after": [180.0],
            "matched_accounts": [12],
            "is_weather_adjusted": [False],
        }
    )
    put_out(replace(sweep, inputs=replace(sweep.inputs, realised_gain=gain)))
    rows = ask(sweep.workspace.results, "select realised_gain_gal_per_year from realised_gain")
    assert rows == [(900.0,)]


def _broken(sweep, table, **values):
    frame = sweep.frames[table.name]
    first = pl.int_range(pl.len()) == 0
    changed = frame.with_columns(
        pl.when(first).then(pl.lit(v)).otherwise(pl.col(k)).alias(k) for k, v in values.items()
    )
    write_blocks(sweep.workspace, sweep.record, table, changed)


BREAKS = [
    (RECOMMENDATION, {"verdict": "splendid"}, "verdict is one of fits, oversized"),
    (RECOMMENDATION, {"low_flow_share": 1.5}, "low_flow_share is not above 1"),
    (RECOMMENDATION, {"installed_size_in": None}, "installed_size_in is filled where assessed"),
    (RECOMMENDATION, {"accuracy_gain_low_pct": 99.0}, "accuracy gain lies between its ends"),
    (RECOMMENDATION, {"net_benefit_usd_per_year": float("inf")}, "is a finite number"),
    (
        RECOMMENDATION,
        {"service_kind": "fire", "action": "change"},
        "fire lines are never changed.*account_id A000000",
    ),
    (
        RECOMMENDATION,
        {"action": "change", "recommended_type": None},
        "change names a meter",
    ),
    (CANDIDATE, {"feasible": False, "rejected_because": None}, "feasible breaks no rule"),
    (CANDIDATE, {"meter_id": "M-else"}, "1 meters without a recommendation"),
    (CANDIDATE, {"size_in": 1.0}, r"key \(sweep_id, account_id.*is unique: 1 row"),
    (FINDING, {"code": "bad_mood"}, "code is one of part_year"),
    (NOT_ASSESSED, {"code": "bad_mood"}, "code is one of fire_service"),
    (FLOW_BAND, {"band_to_gpm": 0.0}, "band has width"),
    (PROFILE, {"actual_gal_per_year": -1.0}, "actual_gal_per_year is not below 0"),
]


@pytest.mark.parametrize(("table", "values", "said"), BREAKS)
def test_a_broken_promise_stops_publication_and_keeps_the_last_one(
    published, tmp_path, table, values, said
):
    shutil.copytree(published.workspace.published, tmp_path / "published", symlinks=True)
    before = (tmp_path / "published" / "results.duckdb").read_bytes()
    sweep = make_sweep(tmp_path, 2)
    _broken(sweep, table, **values)
    with pytest.raises(ContractError, match=said):
        put_out(sweep)
    assert (tmp_path / "published" / "results.duckdb").read_bytes() == before
    assert not list((tmp_path / "published").glob(".aside-*"))


@pytest.mark.parametrize(
    ("table", "column"), [(PROFILE, "days_covered"), (CANDIDATE, "accuracy_pct")]
)
def test_a_null_where_none_may_be_is_refused_with_table_and_column(tmp_path, table, column):
    sweep = make_sweep(tmp_path)
    _broken(sweep, table, **{column: None})
    with pytest.raises(ContractError, match=rf"table {table.name}: .*{column}"):
        put_out(sweep)


def test_two_runs_publish_the_same_files_and_the_same_order_of_rows(tmp_path):
    """Rows come from many blocks; two threads publish."""
    files, rows = [], []
    for name in ("one", "other"):
        sweep = make_sweep(tmp_path / name, accounts=400, blocks=16)
        put_out(sweep)
        folder = (sweep.workspace.published / "parquet").resolve()
        written = sorted(folder.rglob("*.parquet"))
        files.append({str(path.relative_to(folder)): path.read_bytes() for path in written})
        rows.append([ask(sweep.workspace.results, f"from {t.name}") for t in BLOCK_TABLES])
    assert len(files[0]) > len(RESULT_TABLES)
    assert files[0] == files[1]
    assert rows[0] == rows[1]


@pytest.mark.parametrize("table", RESULT_TABLES, ids=lambda t: t.name)
def test_promises_hold_for_metric_columns_too(table):
    """A rule that named a US column in the metric table would fail to bind or never fail."""
    us, metric = (
        promises(table, table.columns),
        promises(table.metric(), table.metric().columns),
    )
    assert len(us) == len(metric)


@pytest.fixture(scope="module")
def metric(tmp_path_factory):
    sweep = make_sweep(tmp_path_factory.mktemp("metric"))
    put_out(sweep, units="metric")
    return sweep


def test_metric_results_are_the_us_results_in_metric_units(metric, answer):
    us = answer(
        "select volume_gain_gal_per_year, peak_10s_gpm, revenue_gain_usd_per_year, verdict"
        " from latest_recommendation where verdict <> 'not_assessed' order by account_id"
    )
    rows = ask(
        metric.workspace.results,
        "select volume_gain_m3_per_year, peak_10s_m3h, revenue_gain_usd_per_year, verdict"
        " from latest_recommendation where verdict <> 'not_assessed' order by account_id",
    )
    for (gal, gpm, usd, verdict), (m3, m3h, usd_too, verdict_too) in zip(us, rows, strict=True):
        assert m3 == pytest.approx(gal / GAL_PER_M3, rel=1e-12)
        assert m3h == pytest.approx(gpm / GPM_PER_M3H, rel=1e-12)
        assert (usd, verdict) == (usd_too, verdict_too)


def test_metric_sizes_are_nominal_diameters(metric):
    """STANDARD: 3 in is DN 80 (ISO 6708 with nominal pipe sizes; from memory, high trust)."""
    rows = ask(
        metric.workspace.results,
        "select distinct installed_size_mm from recommendation where verdict <> 'not_assessed'",
    )
    assert rows == [(80.0,)]


def test_no_us_column_is_left_in_metric_results(metric):
    rows = ask(
        metric.workspace.results,
        "select table_name, column_name from duckdb_columns() where database_name = 'results'"
        " and regexp_matches(column_name, '_(gal|gpm|in|psi)(_per_year)?$')",
    )
    assert rows == []


def test_evidence_of_a_finding_is_metric_too(metric):
    """ANALYTIC: 0.2 gpm is 0.2 x 0.227124707 m3/h."""
    (text,) = ask(metric.workspace.results, "select evidence from finding limit 1")[0]
    evidence = json.loads(text)
    assert evidence["minimum_night_flow_m3h"] == pytest.approx(0.2 * 0.227124707)
    assert evidence["days_covered"] == 365
