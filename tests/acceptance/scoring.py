"""Published recommendations held against the planted truth of a demo."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

LOGGING_COST_USD: Final = 150.0  # of a two-week log: common practice
OVERRUN_ROOM: Final = 1.02  # a peak 2 % above SMOC is within what a meter is rated to
VERDICTS: Final = ("fits", "oversized", "wrong_type", "undersized", "not_assessed")


@dataclass(frozen=True)
class Score:
    """One sweep of one demo; `sites` are those of `every` listed meter that truth assesses."""

    sites: pl.DataFrame
    every: pl.DataFrame

    @property
    def assessed(self) -> pl.DataFrame:
        """Sites that both the truth and the sweep give a verdict."""
        return self.sites.filter(pl.col("verdict") != "not_assessed")

    @property
    def overrun_share(self) -> float:
        """Share of assessed sites given a new meter that their true peak overruns."""
        overrun = self.assessed.filter(
            (pl.col("action") == "change")
            & (pl.col("peak_10s_gpm") > OVERRUN_ROOM * pl.col("given_smoc_gpm"))
        )
        return len(overrun) / len(self.assessed)

    @property
    def realised_share(self) -> float:
        """Net benefit of what was recommended over that of the best choice, both true.

        A site to log first counts as the best choice less the cost of the log, a change that
        is referred to a person (a hospital) as made. Sites that are truly undersized are left
        out: there the change is not for money.
        """
        sites = self.assessed.filter(pl.col("true_verdict") != "undersized")
        best = sites["best_usd"].sum()
        return float(sites["given_usd"].sum() / best)

    @property
    def logged_share(self) -> float:
        """Share of assessed sites that are to be logged first."""
        return self.assessed.filter(pl.col("action") == "log_first").height / len(self.assessed)

    @property
    def false_undersized_share(self) -> float:
        """Share of assessed sites called undersized whose meter carries its flow."""
        false = self.assessed.filter(
            (pl.col("verdict") == "undersized") & (pl.col("true_verdict") != "undersized")
        )
        return len(false) / len(self.assessed)

    def worth_changing(self, *, least_usd: float) -> pl.DataFrame:
        """Meters that are worth changing in truth, by at least so much a year."""
        return self.assessed.filter(
            pl.col("true_verdict").is_in(["oversized", "wrong_type"])
            & (pl.col("best_usd") >= least_usd)
        )

    def found_share(self, *, least_usd: float) -> float:
        """Share of meters worth changing, by at least so much a year, that are named.

        Named means: change it, refer its change to a person, or log it first.
        """
        worth = self.worth_changing(least_usd=least_usd)
        return worth.filter(
            pl.col("action").is_in(["change", "refer", "log_first"])
        ).height / len(worth)

    @property
    def peak_inside_share(self) -> float:
        """Share of assessed sites whose true peak lies in its published 90 % interval."""
        return _inside(self.assessed, "peak_10s_gpm", "peak_10s_low_gpm", "peak_10s_high_gpm")

    @property
    def gain_inside_share(self) -> float:
        """The same for the true gain, of sites with another meter to gain by."""
        another = self.assessed.filter(
            (pl.col("given_type") != pl.col("installed_type"))
            | (pl.col("given_size_in") != pl.col("installed_size_in"))
        )
        return _inside(another, "true_gain_gal", "gain_low_gal", "gain_high_gal")

    @property
    def estimated_over_true(self) -> float:
        """Sum of the gains estimated of all changes over what they truly bring."""
        changes = self.assessed.filter(pl.col("action") == "change")
        return float(changes["gain_gal"].sum() / changes["true_gain_gal"].sum())

    def confusion(self) -> pl.DataFrame:
        """Sites by true verdict (rows) and published verdict (columns)."""
        counted = self.every.group_by("true_verdict", "verdict").len()
        wide = counted.pivot("verdict", index="true_verdict", values="len").fill_null(0)
        named = [v for v in VERDICTS if v in wide.columns]
        order = {v: k for k, v in enumerate(VERDICTS)}
        return wide.select("true_verdict", *named).sort(
            pl.col("true_verdict").replace_strict(order)
        )

    @property
    def text(self) -> str:
        """The confusion table and the figures, for the log of a test run."""
        figures = {
            "sites assessed": f"{len(self.assessed)}",
            "new meters overrun": f"{self.overrun_share:.1%}",
            "net benefit realised of the oracle's": f"{self.realised_share:.1%}",
            "named among those worth 100 USD a year": f"{self.found_share(least_usd=100):.1%}",
            "to be logged first": f"{self.logged_share:.1%}",
            "called undersized falsely": f"{self.false_undersized_share:.1%}",
            "true peak inside its 90 % interval": f"{self.peak_inside_share:.1%}",
            "true gain inside its 90 % interval": f"{self.gain_inside_share:.1%}",
            "estimated over true gain of changes": f"{self.estimated_over_true:.2f}",
        }
        with pl.Config(tbl_hide_column_data_types=True, tbl_hide_dataframe_shape=True):
            table = str(self.confusion())
        return "\n".join([table, *(f"{name:42}{value:>8}" for name, value in figures.items())])


def _inside(sites: pl.DataFrame, true: str, low: str, high: str) -> float:
    inside = sites.filter(pl.col(true).is_between(pl.col(low), pl.col(high)))
    return len(inside) / len(sites)


def score(demo: Path) -> Score:
    """Join the published results of a swept demo with its truth."""
    results = demo / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        published = connection.execute(_PUBLISHED).fetchall()
    columns = {
        "account_id": pl.String,
        "verdict": pl.String,
        "action": pl.String,
        "given_type": pl.String,
        "given_size_in": pl.Float64,
        "given_grade": pl.String,
        "peak_10s_low_gpm": pl.Float64,
        "peak_10s_high_gpm": pl.Float64,
        "gain_gal": pl.Float64,
        "gain_low_gal": pl.Float64,
        "gain_high_gal": pl.Float64,
    }
    frame = pl.DataFrame(published, schema=columns, orient="row")
    truth = _truth(demo)
    every = truth.join(frame, on="account_id", how="inner", validate="1:1").join(
        _given(demo),
        on=["account_id", "given_type", "given_size_in", "given_grade"],
        how="left",
    )
    every = every.with_columns(
        given_usd=pl.when(pl.col("action").is_in(["change", "refer"]))
        .then(pl.col("given_net_usd"))
        .when(pl.col("action") == "log_first")
        .then(pl.max_horizontal(pl.col("best_usd") - LOGGING_COST_USD, -LOGGING_COST_USD))
        .otherwise(0.0),
        true_gain_gal=pl.col("given_gal") - pl.col("installed_gal_per_year"),
    )
    return Score(every.filter(pl.col("true_verdict") != "not_assessed"), every)


_PUBLISHED: Final = """
    select account_id, verdict, action, recommended_type, recommended_size_in,
        recommended_grade, peak_10s_low_gpm, peak_10s_high_gpm, volume_gain_gal_per_year,
        volume_gain_low_gal_per_year, volume_gain_high_gal_per_year
    from latest_recommendation
"""


def _truth(demo: Path) -> pl.DataFrame:
    accounts = pl.read_csv(demo / "truth/accounts.csv")
    return accounts.filter("is_listed").rename(
        {"verdict": "true_verdict", "best_net_benefit_usd_per_year": "best_usd"}
    )


def _given(demo: Path) -> pl.DataFrame:
    """True outcome of every meter at every account, by the names of a recommendation."""
    return pl.read_csv(demo / "truth/candidates.csv").select(
        "account_id",
        given_type="meter_type",
        given_size_in="size_in",
        given_grade="grade",
        given_smoc_gpm="smoc_gpm",
        given_gal="registered_gal_per_year",
        given_net_usd="net_benefit_usd_per_year",
    )
