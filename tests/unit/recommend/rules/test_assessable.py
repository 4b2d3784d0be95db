"""Meters that cannot be judged come back with a code and their own numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.results import NOT_ASSESSED
from rightsize.errors import ContractError
from rightsize.recommend.choose import decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff


def refused(**changes: np.ndarray) -> tuple[str, str]:
    """Code and message of the first of three accounts, changed so."""
    block, posterior, sites, meters = fleet(3, seed=4)
    for name, value in changes.items():
        was = getattr(block, name).astype(float)
        was[0] = value
        block = replace(block, **{name: was})
    result = decide(block, posterior, sites, meters, tariff(), Thresholds(), units="us")
    assert result.recommendation.height == 3
    rows = result.not_assessed
    return (rows["code"][0], rows["message"][0]) if rows.height else ("", "")


def test_a_plain_account_is_assessed() -> None:
    assert refused() == ("", "")


def test_a_single_read_is_too_few_days() -> None:
    code, message = refused(days_covered=1 / 24, reads_used=1)
    assert code == "too_few_days"
    assert "90" in message


def test_no_use_and_no_reads_are_named() -> None:
    assert refused(registered_gal=0.0)[0] == "no_registration"
    assert refused(reads_used=0.0)[0] == "no_reads"


def test_a_coarse_register_is_named_with_its_step() -> None:
    code, message = refused(resolution_gal=1e7)
    assert code == "resolution_too_coarse"
    assert "step" in message


def test_a_posterior_that_is_not_finite_is_no_estimate() -> None:
    block, posterior, sites, meters = fleet(3, seed=4)
    broken = posterior.registered_gal_per_year.copy()
    broken[0, 1, 2] = np.nan
    result = decide(
        block,
        replace(posterior, registered_gal_per_year=broken),
        sites,
        meters,
        tariff(),
        Thresholds(),
        units="us",
    )
    assert result.not_assessed["account_id"].to_list() == ["A-00001"]
    assert result.not_assessed["code"].to_list() == ["no_estimate"]
    assert set(result.candidate["account_id"]) == {"A-00000", "A-00002"}


BY_BAND = (
    "time_share",
    "actual_volume_share",
    "actual_volume_share_low",
    "actual_volume_share_high",
)
DRAWN = (
    "peak_10s_gpm",
    "peak_1min_gpm",
    "sustained_60min_gpm",
    "unseen_gal_per_year",
    "low_flow_share",
)


@pytest.mark.parametrize("value", [np.nan, np.inf])
@pytest.mark.parametrize("name", [*DRAWN, *BY_BAND])
def test_one_number_that_is_none_refuses_its_account_and_no_other(
    name: str, value: float
) -> None:
    """The law: an unusable number of a posterior never reaches a table as a figure."""
    block, posterior, sites, meters = fleet(3, seed=4)
    broken = getattr(posterior, name).copy()
    broken[(1,) if name in BY_BAND else (0, 1)] = value
    result = decide(
        block,
        replace(posterior, **{name: broken}),
        sites,
        meters,
        tariff(),
        Thresholds(),
        units="us",
    )
    assert result.not_assessed["account_id"].to_list() == ["A-00001"]
    assert result.not_assessed["code"].to_list() == ["no_estimate"]
    assert violations(as_block(result.not_assessed, NOT_ASSESSED), NOT_ASSESSED) == []
    plain = decide(block, posterior, sites, meters, tariff(), Thresholds(), units="us")
    others = pl.col("account_id") != "A-00001"
    assert_frame_equal(
        result.recommendation.filter(others), plain.recommendation.filter(others)
    )


def test_an_account_that_draws_nothing_in_any_draw_is_no_estimate() -> None:
    block, posterior, sites, meters = fleet(3, seed=4)
    flow = posterior.actual_gal_per_year.copy()
    flow[:, 1] = 0.0
    result = decide(
        block,
        replace(posterior, actual_gal_per_year=flow),
        sites,
        meters,
        tariff(),
        Thresholds(),
        units="us",
    )
    assert result.not_assessed["code"].to_list() == ["no_estimate"]
    flow[0, 1] = 1.0
    result = decide(
        block,
        replace(posterior, actual_gal_per_year=flow),
        sites,
        meters,
        tariff(),
        Thresholds(),
        units="us",
    )
    assert result.not_assessed.is_empty()


def test_an_unknown_meter_is_not_assessed() -> None:
    block, posterior, sites, meters = fleet(3, seed=4)
    index = sites.meter_index.copy()
    index[0] = -1
    result = decide(
        replace(block, meter_index=index),
        posterior,
        replace(sites, meter_index=index),
        meters,
        tariff(),
        Thresholds(),
        units="us",
    )
    assert result.not_assessed["code"].to_list() == ["meter_not_in_catalogue"]
    assert result.recommendation["action"][0] == "keep"
    assert result.recommendation["installed_type"][0] is None


def test_sites_with_an_unknown_kind_or_class_are_refused() -> None:
    block, posterior, sites, meters = fleet(2)
    odd = replace(sites, service_kind=("domestic", "geothermal"))
    with pytest.raises(ContractError, match="unknown service_kind 'geothermal'"):
        decide(block, posterior, odd, meters, tariff(), Thresholds(), units="us")
    short = replace(sites, area=("zone",))
    with pytest.raises(ContractError, match="columns differ in length"):
        decide(block, posterior, short, meters, tariff(), Thresholds(), units="us")
