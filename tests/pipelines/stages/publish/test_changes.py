"""What moved between two sweeps, why, and how flapping is damped."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from rightsize.contracts.results import NOT_ASSESSED, PROFILE, RECOMMENDATION
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep, write_blocks

ACCOUNT = "A000000"
CONFIG = {"utility": "Larkmoor Water"}
FITS = {"verdict": "fits", "action": "keep", "recommended_type": "turbine"}
FITS |= {"recommended_size_in": 3.0}
OVERSIZED = {"verdict": "oversized", "action": "change", "recommended_type": "displacement"}
OVERSIZED |= {"recommended_size_in": 2.0}


def _publish(tmp_path, number, values, *, profile=None, rest=None, **changes):
    """A sweep in which every account but one fits, and that one is as `values` say."""
    sweep = make_sweep(tmp_path, number, accounts=5, changes=changes)
    is_it = pl.col("account_id") == ACCOUNT
    all_fit = sweep.frames["recommendation"].with_columns(
        pl.lit(v).alias(k) for k, v in FITS.items()
    )
    rows = all_fit.with_columns(
        pl.when(is_it).then(pl.lit(v)).otherwise(pl.col(k)).alias(k) for k, v in values.items()
    )
    write_blocks(sweep.workspace, sweep.record, RECOMMENDATION, rows)
    if profile:
        new = sweep.frames["profile"].with_columns(
            pl.when(is_it).then(pl.lit(v)).otherwise(pl.col(k)).alias(k)
            for k, v in profile.items()
        )
        write_blocks(sweep.workspace, sweep.record, PROFILE, new)
    put_out(sweep)
    return sweep.workspace.results


def _changes(path):
    names = ("account_id", "change", "previous_verdict", "verdict", "why")
    rows = ask(path, f"select {', '.join(names)} from changed_since_previous_sweep")
    return [dict(zip(names, row, strict=True)) for row in rows]


def test_the_first_sweep_has_nothing_to_differ_from(tmp_path):
    assert _changes(_publish(tmp_path, 1, OVERSIZED)) == []


def test_a_sweep_that_says_the_same_has_no_changes(tmp_path):
    _publish(tmp_path, 1, OVERSIZED)
    assert _changes(_publish(tmp_path, 2, OVERSIZED)) == []


@pytest.mark.parametrize(
    ("cause", "why"),
    [
        ({"profile": {"reads_used": 9000}}, "new reads"),
        ({"config_hash": "c1"}, "configuration"),
        ({"catalogue_hash": "k1"}, "catalogue"),
        ({"code_version": "0.2.0"}, "model"),
        ({"profile": {"reads_used": 9000}, "code_version": "0.2.0"}, "new reads, model"),
        ({"profile": {"registered_gal_per_year": 9e6}}, "new reads"),
        ({"profile": {"registered_gal_per_year": 9e6}, "meters_hash": "m1"}, "multiplier"),
        (
            {"documents": {"config": CONFIG, "tariff": {"rate": 6}}, "config_hash": "c1"},
            "tariff",
        ),
        ({"documents": {"config": {}, "tariff": {"rate": 6}}}, "configuration, tariff"),
        ({}, "class priors or fleet statistics"),
    ],
)
def test_a_moved_verdict_says_why(tmp_path, cause, why):
    _publish(tmp_path, 1, FITS)
    (change,) = _changes(_publish(tmp_path, 2, OVERSIZED, **cause))
    assert change == {
        "account_id": ACCOUNT,
        "change": "verdict",
        "previous_verdict": "fits",
        "verdict": "oversized",
        "why": why,
    }


def test_a_changed_out_meter_is_held_against_the_one_before(tmp_path):
    _publish(tmp_path, 1, OVERSIZED)
    sweep = make_sweep(tmp_path, 2, accounts=5)
    for table in (RECOMMENDATION, PROFILE):
        frame = sweep.frames[table.name].with_columns(
            pl.col("meter_id").replace({"M000000": "M-NEW"})
        )
        if table is RECOMMENDATION:
            frame = frame.with_columns(pl.lit(v).alias(k) for k, v in FITS.items())
        write_blocks(sweep.workspace, sweep.record, table, frame)
    for table in ("candidate", "flow_band", "finding"):
        for path in (sweep.workspace.assess / sweep.record.sweep_id / table).glob("*"):
            path.unlink()
    service = sweep.inputs.service.with_columns(
        pl.col("meter_id").replace({"M000000": "M-NEW"})
    )
    put_out(replace(sweep, inputs=replace(sweep.inputs, service=service)))
    (change,) = _changes(sweep.workspace.results)
    assert change["verdict"] == "fits"
    assert change["previous_verdict"] == "oversized"
    assert "meter change" in change["why"]


def test_an_account_that_came_or_went_is_listed(tmp_path):
    _publish(tmp_path, 1, FITS)
    sweep = make_sweep(tmp_path, 2, accounts=6)
    rows = sweep.frames["recommendation"].with_columns(
        pl.lit(v).alias(k) for k, v in FITS.items()
    )
    write_blocks(sweep.workspace, sweep.record, RECOMMENDATION, rows)
    put_out(sweep)
    (came,) = _changes(sweep.workspace.results)
    assert (came["account_id"], came["change"]) == ("A000005", "new")
    (gone,) = _changes(_publish(tmp_path, 3, FITS))
    assert (gone["account_id"], gone["change"]) == ("A000005", "gone")


def _settled(path):
    return ask(
        path,
        "select verdict, settled_verdict, settled_action, sweeps_held from recommendation"
        f" where account_id = '{ACCOUNT}' order by sweep_id",
    )


def test_a_verdict_moved_by_reads_alone_settles_when_repeated(tmp_path):
    _publish(tmp_path, 1, FITS)
    _publish(tmp_path, 2, OVERSIZED)
    path = _publish(tmp_path, 3, OVERSIZED)
    assert _settled(path) == [
        ("fits", "fits", "keep", 1),
        ("oversized", "fits", "keep", 1),
        ("oversized", "oversized", "change", 2),
    ]


def test_a_flapping_verdict_never_settles(tmp_path):
    for number, values in enumerate((FITS, OVERSIZED, FITS, OVERSIZED), start=1):
        path = _publish(tmp_path, number, values)
    assert [row[1] for row in _settled(path)] == ["fits"] * 4


@pytest.mark.parametrize(
    "cause", [{"config_hash": "c1"}, {"catalogue_hash": "k1"}, {"code_version": "0.2.0"}]
)
def test_a_verdict_moved_by_another_cause_settles_at_once(tmp_path, cause):
    _publish(tmp_path, 1, FITS)
    path = _publish(tmp_path, 2, OVERSIZED, **cause)
    assert _settled(path)[-1] == ("oversized", "oversized", "change", 1)


def test_a_verdict_moved_by_another_meter_settles_at_once(tmp_path):
    _publish(tmp_path, 1, FITS)
    path = _publish(tmp_path, 2, OVERSIZED | {"installed_size_in": 4.0})
    assert _settled(path)[-1] == ("oversized", "oversized", "change", 1)


def test_an_account_that_is_no_longer_assessed_settles_at_once(tmp_path):
    _publish(tmp_path, 1, OVERSIZED)
    sweep = make_sweep(tmp_path, 2, accounts=5)
    is_it = pl.col("account_id") == ACCOUNT
    kept = sweep.frames["recommendation"].filter(~is_it)
    write_blocks(sweep.workspace, sweep.record, RECOMMENDATION, kept)
    for table in ("candidate", "flow_band", "profile", "finding"):
        for path in (sweep.workspace.assess / sweep.record.sweep_id / table).glob("*"):
            path.unlink()
    refused = pl.DataFrame(
        {
            "account_id": [ACCOUNT],
            "meter_id": ["M000000"],
            "code": ["no_reads"],
            "message": ["m"],
        }
    )
    write_blocks(sweep.workspace, sweep.record, NOT_ASSESSED, refused)
    put_out(sweep)
    assert _settled(sweep.workspace.results)[-1] == ("not_assessed", "not_assessed", "keep", 1)


def test_a_new_recommended_meter_starts_the_count_again(tmp_path):
    _publish(tmp_path, 1, OVERSIZED)
    _publish(tmp_path, 2, OVERSIZED)
    path = _publish(tmp_path, 3, OVERSIZED | {"recommended_size_in": 1.0})
    assert [row[3] for row in _settled(path)] == [1, 2, 1]
    assert _changes(path)[0]["change"] == "recommended meter"
