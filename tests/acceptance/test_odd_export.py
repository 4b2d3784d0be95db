"""An odd export lands by `look` without an edit; its figures are those of plain arithmetic."""

from __future__ import annotations

from datetime import timedelta

import duckdb
import polars as pl
import pytest
from typer.testing import CliRunner

from pipelines.cli import app
from tests.acceptance.odd_utility import (
    ACCOUNTS,
    ZONE,
    OddUtility,
    hourly_gal,
    write_odd_utility,
)

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

DAYS_OF_2025, DAYS_PER_YEAR = 365, 365.25  # a volume is brought to a mean year
RELATIVE = 1e-9  # sums of doubles in another order; a lost read is 1e-6 of a month at the least


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> OddUtility:
    odd = write_odd_utility(tmp_path_factory.mktemp("odd"))
    config = odd.folder / "sweep.yaml"
    files = [str(path) for path in odd.files]
    looked = CliRunner().invoke(app, ["look", *files, "--timezone", ZONE, "--to", str(config)])
    assert looked.exit_code == 0, looked.output
    done = CliRunner().invoke(app, ["sweep", str(config)])
    assert done.exit_code == 0, done.output
    return odd


def published(odd: OddUtility, query: str) -> pl.DataFrame:
    results = odd.folder / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        return pl.DataFrame(connection.sql(query).to_arrow_table())


def by_month(odd: OddUtility) -> pl.DataFrame:
    start = pl.col("end_at").dt.offset_by("-1h").dt.convert_time_zone(ZONE)
    return (
        hourly_gal(odd)
        .group_by("account_id", start.dt.strftime("%Y-%m").alias("month"))
        .agg(pl.col("gal").sum())
    )


def test_every_row_lands(swept: OddUtility) -> None:
    counted = published(
        swept, "select sum(rows_landed) as landed, sum(rows_rejected) as bad from landed_file"
    )
    lines = sum(len(path.read_text().splitlines()) - 3 for path in swept.files[:2])
    assert counted.row(0) == (lines, 0)


def test_months_are_those_of_plain_arithmetic(swept: OddUtility) -> None:
    ours = published(swept, "select account_id, month, registered_gal from account_month "
                     "where month between '2025-01' and '2025-12'")  # fmt: skip
    assert ours.height == 12 * ACCOUNTS
    both = ours.join(by_month(swept), on=["account_id", "month"], how="inner")
    assert both.height == ours.height
    for account, month, registered, gal in both.iter_rows():
        assert registered == pytest.approx(gal, rel=RELATIVE), (account, month)


def test_years_are_those_of_plain_arithmetic(swept: OddUtility) -> None:
    ours = published(
        swept, "select account_id, registered_gal_per_year, days_covered from profile"
    )
    year = (
        by_month(swept)
        .filter(pl.col("month").str.starts_with("2025"))
        .group_by("account_id")
        .agg(pl.col("gal").sum() / DAYS_OF_2025 * DAYS_PER_YEAR)
    )
    both = ours.join(year, on="account_id").filter(pl.col("account_id") != "A-0")
    assert both.height == ACCOUNTS - 1  # its meter is of June
    whole = both.filter(pl.col("days_covered") > DAYS_OF_2025 - 1e-6)
    assert whole.height > 0.8 * ACCOUNTS
    for account, ours_gal, days, gal in both.iter_rows():
        # a register that stood still is a gap: its month counts by the days that are left
        gap_share = max(0.0, 1 - days / DAYS_OF_2025)
        assert ours_gal == pytest.approx(gal, rel=RELATIVE + gap_share), account


def test_peaks_are_those_of_plain_arithmetic(swept: OddUtility) -> None:
    ours = published(swept, "select account_id, peak_60min_gpm from profile")
    hours = hourly_gal(swept).filter(
        pl.col("end_at").dt.offset_by("-1h").dt.convert_time_zone(ZONE).dt.year() == 2025
    )
    peak = hours.group_by("account_id").agg(pl.col("gal").max() / 60)
    for account, ours_gpm, gpm in ours.join(peak, on="account_id").iter_rows():
        if account != "A-0":
            assert ours_gpm == pytest.approx(gpm, rel=1e-6), account


def test_the_configuration_names_what_it_saw(swept: OddUtility) -> None:
    text = (swept.folder / "sweep.yaml").read_text()
    for said in (
        "the clock of the reads skips 02:00 on 2025-03-09",
        "taken for corrections of them",
        "unit: UOM",
        "date_format: '%m/%d/%Y'",
        "'OFF': office",
    ):
        assert said in text
    assert len([line for line in text.splitlines() if "CHOOSE" in line]) == 2  # the head; rates


def test_an_hour_is_an_hour(swept: OddUtility) -> None:
    """The reference itself: every meter's hours follow each other, the clock's changes too."""
    ends = hourly_gal(swept).filter(pl.col("account_id") == "A-1")["end_at"].sort()
    assert set(ends.diff().drop_nulls().to_list()) == {timedelta(hours=1)}


def test_look_shows_without_writing(swept: OddUtility) -> None:
    shown = CliRunner().invoke(app, ["look", str(swept.files[0])])
    assert shown.exit_code == 0
    assert "CHOOSE the utility's time zone" in shown.output
    assert "CHOOSE: no meter list was among the files" in shown.output
