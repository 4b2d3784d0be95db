"""Each rule both ways, and its name in `rejected_because`."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from pydantic import ValidationError

from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.choose import Decision, decide
from rightsize.recommend.rules.meter_rules import (
    BIT,
    CONSTRAINTS,
    NOT_THE_CHOICE,
    main_rule,
    meter_rules,
    rule_names,
    unknown_names,
)
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, meter, tariff

COMPOUND_2 = meter("compound", 2.0, 160, standard="AWWA C702")


def broken(rule: str, limits: dict[str, Any], **changes: Any) -> bool:
    entry = replace(COMPOUND_2, **changes)
    return bool(meter_rules([entry], Thresholds.model_validate(limits))[0] & BIT[rule])


@pytest.mark.parametrize(
    ("rule", "limits", "changes", "is_broken"),
    [
        ("fire_lines_only", {}, {"meter_type": "fire_service", "size_in": 4.0}, True),
        ("fire_lines_only", {}, {}, False),
        ("size_not_made", {}, {"size_in": 10.0}, True),
        ("size_not_made", {}, {"meter_type": "displacement", "size_in": 3.0}, True),
        ("size_not_made", {}, {}, False),
        ("minimum_size", {"min_size_in": 2.5}, {}, True),
        ("minimum_size", {"min_size_in": 2.0}, {}, False),
        ("type_not_allowed", {"allowed_types": ["turbine"]}, {}, True),
        ("type_not_allowed", {"allowed_types": ["compound"]}, {}, False),
        ("standard_not_allowed", {"allowed_standards": ["AWWA C700"]}, {}, True),
        ("standard_not_allowed", {"allowed_standards": ["AWWA C702"]}, {}, False),
        ("not_lead_free", {"lead_free_list": ["compound 2 other"]}, {}, True),
        ("not_lead_free", {"lead_free_list": ["compound 2 standard"]}, {}, False),
        ("not_in_stock", {"stock_list": ["compound 3"]}, {}, True),
        ("not_in_stock", {"stock_list": ["compound 2"]}, {}, False),
    ],
)
def test_rules_of_the_meter(
    rule: str, limits: dict[str, Any], changes: dict[str, Any], is_broken: bool
) -> None:
    assert broken(rule, limits, **changes) is is_broken


def test_a_misspelt_type_is_refused_with_the_types_there_are() -> None:
    with pytest.raises(ValidationError, match="'displacement', 'turbine'"):
        Thresholds.model_validate({"allowed_types": ["turbines"]})


def test_a_meter_that_costs_nothing_is_still_another_meter() -> None:
    block, posterior, sites, meters = fleet(200)
    gift = Catalogue(
        tuple(
            replace(m, price_usd=0.0, install_usd=0.0, upkeep_usd_per_year=0.0)
            for m in meters.meters
        )
    )
    result = decide(
        block, posterior, sites, gift, tariff(), Thresholds(), units="us"
    ).recommendation
    under = result.filter((pl.col("verdict") == "undersized") & (pl.col("action") == "change"))
    assert under.height > 0
    assert under["reason"].str.contains("handles peak and sustained flow").all()


def decided(limits: dict[str, Any] | None = None, **site: Any) -> Decision:
    block, posterior, sites, meters = fleet(200)
    sites = replace(sites, **{k: v(200) for k, v in site.items()})
    return decide(
        block,
        posterior,
        sites,
        meters,
        tariff(),
        Thresholds.model_validate(limits or {}),
        units="us",
    )


def rejected(decision: Decision, rule: str) -> pl.DataFrame:
    words = pl.col("rejected_because").str.split(", ")
    return decision.candidate.filter(words.list.contains(rule))


def test_no_meter_larger_than_the_service_line() -> None:
    narrow = decided(service_line_in=lambda n: np.full(n, 1.5))
    out = rejected(narrow, "service_line")
    assert out.height > 0
    assert out["size_in"].min() > 1.5
    assert rejected(decided(), "service_line").height == 0


def test_no_meter_too_far_below_the_service_line() -> None:
    """HAND: sizes below 4 in are 3, 2 1/2, 2, 1 1/2: with three steps allowed 2 in is last."""
    out = rejected(
        decided({"max_sizes_below_line": 3}, service_line_in=lambda n: np.full(n, 4.0)),
        "service_line",
    )
    small = out.filter(pl.col("size_in") < 4)
    assert small.height > 0
    assert small["size_in"].max() == 1.5


def test_head_loss_is_held_against_the_sites_spare_head() -> None:
    tight = rejected(decided(spare_head_psi=lambda n: np.full(n, 2.0)), "head_loss")
    ample = rejected(decided(spare_head_psi=lambda n: np.full(n, 1e6)), "head_loss")
    assert tight.height > 50
    assert ample.height == 0
    assert (tight["odds_of_fit"] < 0.9).all()


def test_peak_and_sustained_flow_are_named_apart() -> None:
    block, posterior, sites, meters = fleet(200)
    still = replace(posterior, sustained_60min_gpm=posterior.peak_10s_gpm * 0)
    result = decide(block, still, sites, meters, tariff(), Thresholds(), units="us")
    assert rejected(result, "sustained_over_continuous").height == 0
    assert rejected(result, "peak_over_smoc").height > 0
    calm = replace(posterior, peak_10s_gpm=posterior.peak_10s_gpm * 0 + 0.01)
    result = decide(block, calm, sites, meters, tariff(), Thresholds(), units="us")
    assert rejected(result, "peak_over_smoc").height == 0
    assert rejected(result, "sustained_over_continuous").height > 0


def test_irrigation_is_not_downsized_before_its_season_was_seen() -> None:
    block, posterior, sites, meters = fleet(200)
    lawn = replace(sites, service_kind=("irrigation",) * 200)
    short = replace(block, days_covered=np.full(200, 200.0))
    part = decide(short, posterior, lawn, meters, tariff(), Thresholds(), units="us")
    whole = decide(block, posterior, lawn, meters, tariff(), Thresholds(), units="us")
    assert rejected(part, "season_not_seen").height > 0
    assert rejected(whole, "season_not_seen").height == 0
    assert part.recommendation.filter(pl.col("verdict") == "oversized").height == 0


def test_irrigation_is_held_to_the_seasons_largest_hour() -> None:
    block, posterior, sites, meters = fleet(200)
    lawn = replace(sites, customer_class=("irrigation",) * 200)
    lawn_block = replace(block, customer_class=lawn.customer_class)
    soaked = replace(lawn_block, max_hour_gpm=np.full(200, 5000.0))
    result = decide(soaked, posterior, lawn, meters, tariff(), Thresholds(), units="us")
    assert not result.candidate["feasible"].any()
    plain = decide(
        replace(block, max_hour_gpm=np.full(200, 5000.0)),
        posterior,
        sites,
        meters,
        tariff(),
        Thresholds(),
        units="us",
    )
    assert plain.candidate["feasible"].any()


def test_a_size_without_a_fixed_charge_is_not_offered_and_found() -> None:
    block, posterior, sites, meters = fleet(200)
    partial = tariff(fixed_charge_usd_per_month={1: 26, 2: 74})
    result = decide(block, posterior, sites, meters, partial, Thresholds(), units="us")
    out = rejected(result, "no_fixed_charge")
    assert not out["size_in"].is_in([1.0, 2.0]).all()
    missing = result.recommendation.filter(~pl.col("installed_size_in").is_in([1.0, 2.0]))
    changed = missing.filter(pl.col("action") == "change")
    assert (changed["recommended_size_in"] == changed["installed_size_in"]).all()
    assert "no_fixed_charge" in result.finding["code"].to_list()


def test_a_larger_meter_is_not_sold_for_its_charge() -> None:
    """A size up of the same type brings base charge and no accuracy: never a recommendation."""
    block, posterior, sites, meters = fleet(400)
    dear = tariff(
        fixed_charge_usd_per_month={s: 1000 * s for s in (0.625, 0.75, 1, 1.5, 2, 3, 4, 6)}
    )
    result = decide(block, posterior, sites, meters, dear, Thresholds(), units="us")
    paid = result.recommendation.filter(pl.col("verdict").is_in(["oversized", "wrong_type"]))
    up = paid.filter(
        (pl.col("recommended_type") == pl.col("installed_type"))
        & (pl.col("recommended_size_in") > pl.col("installed_size_in"))
    )
    assert up.height == 0
    gained = result.candidate.filter(pl.col("fixed_charge_change_usd_per_year") > 0)
    assert (gained["net_benefit_usd_per_year"] < 20_000).all()


def test_names_of_bits_and_the_rule_that_blocks_most() -> None:
    bits = np.array([[0, BIT["head_loss"] | BIT["service_line"]]], dtype=np.int32)
    code, texts = rule_names(bits)
    assert [texts[c] for c in code[0]] == ["", "service_line, head_loss"]
    blocked = np.array(
        [[BIT["service_line"], BIT["service_line"] | BIT["minimum_size"], BIT["head_loss"]]],
        dtype=np.int32,
    )
    assert main_rule(blocked) == ["service line"]
    assert main_rule(np.zeros((1, 2), dtype=np.int32)) == [""]
    assert len(CONSTRAINTS) <= 31, "bits must fit 32-bit integers"


def test_a_catalogue_of_one_meter_keeps_it_or_refers() -> None:
    block, posterior, sites, _ = fleet(30, meters=Catalogue((meter("turbine", 3.0, 435),)))
    only = Catalogue((meter("turbine", 3.0, 435),))
    result = decide(block, posterior, sites, only, tariff(), Thresholds(), units="us")
    assert set(result.recommendation["action"]) <= {"keep", "refer", "log_first"}


def test_names_that_no_meter_of_the_catalog_has_are_told_and_no_others() -> None:
    limits = Thresholds.model_validate(
        {
            "stock_list": ["compound 2", "compound 2 standard", "compound 2 gold", "turbine 9"],
            "lead_free_list": ["compound 2", "compuond 2"],
            "allowed_standards": ["AWWA C702", "AWWA C799"],
        }
    )
    assert unknown_names([COMPOUND_2], limits) == [
        "stock_list: 'compound 2 gold'",
        "stock_list: 'turbine 9'",
        "lead_free_list: 'compuond 2'",
        "allowed_standards: 'AWWA C799'",
    ]
    assert unknown_names([COMPOUND_2], Thresholds.model_validate({})) == []


def test_every_rule_that_forbids_a_meter_can_be_the_main_one() -> None:
    for name in (n for n in CONSTRAINTS if n not in NOT_THE_CHOICE):
        bits = np.full((1, 3), BIT[name], dtype=np.int32)
        assert main_rule(bits) == [name.replace("_", " ")]
