"""Validate: check what a run loaded against the suites of `config/expectations.yaml`.

Rows are checked one by one when loaded (`sql/20_validate/judged_read.sql`). Here whole batches
are checked: a small table of metrics, one row per file or month.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import duckdb
import pyarrow as pa
from pydantic import Field

from pipelines.configuration.load_settings import Loaded, read_model
from pipelines.stages.land.land import LandSummary
from pipelines.stages.validate.checks import checks
from pipelines.stages.validate.validation_page import write_page
from pipelines.store import ledger
from pipelines.store.resources import config_path
from pipelines.store.warehouse import run_sql, work_database
from pipelines.store.workspace import Workspace
from rightsize.settings import Settings
from rightsize.units.plain_number import plain_number

if TYPE_CHECKING:
    import pandas as pd

_METRICS: Final = {
    "landed_file": "20_validate/file_metric",
    "landed_month": "20_validate/month_metric",
}
"""The statement that computes the metrics of each suite."""


class Expectation(Settings):
    """Bounds of one metric."""

    metric: str
    min: float | None = None
    max: float | None = None
    severity: Literal["failure", "warning"] = "warning"
    meaning: str


class Suites(Settings):
    """`config/expectations.yaml`."""

    suites: dict[str, tuple[Expectation, ...]] = Field(min_length=1)


@dataclass(frozen=True)
class Outcome:
    """One expectation checked on one batch."""

    suite: str
    batch: str
    expectation: str
    metric: str
    is_met: bool
    severity: str
    observed: float | None
    expected: str
    meaning: str


@dataclass(frozen=True)
class ValidationSummary:
    """Outcomes of this run; empty if nothing was loaded."""

    outcomes: tuple[Outcome, ...]
    must_stop: bool

    @property
    def failed(self) -> tuple[Outcome, ...]:
        """Expectations not met whose severity is failure."""
        return tuple(o for o in self.outcomes if not o.is_met and o.severity == "failure")

    @property
    def warned(self) -> tuple[Outcome, ...]:
        """Expectations not met whose severity is warning."""
        return tuple(o for o in self.outcomes if not o.is_met and o.severity == "warning")


def validate(loaded: Loaded, workspace: Workspace, landed: LandSummary) -> ValidationSummary:
    """Check the batches of `landed` and store the outcomes in the ledger.

    Files of an earlier sweep that never passed validation are checked too: their suite stopped
    that sweep, or it crashed first.

    Raises
    ------
    ConfigError
        If `config/expectations.yaml` cannot be used.
    """
    suites = read_model(config_path("expectations.yaml"), Suites).suites
    with work_database(workspace) as work:
        ledger.prepare(work)
        left = {row[0] for row in run_sql(work, "20_validate/unjudged_file").fetchall()}
        files = sorted(left | {f.file_hash for f in landed.files})
        if not files:
            return ValidationSummary((), must_stop=False)
        work.register("landed_now", pa.table({"file_hash": files}))
        metrics = {name: run_sql(work, _METRICS[name]).df() for name in suites}
        outcomes = tuple(o for name in suites for o in judge(name, metrics[name], suites[name]))
        _keep(work, outcomes)
        write_page(work, workspace, loaded.settings.utility)
        summary = ValidationSummary(outcomes, must_stop=False)
        stops = bool(summary.failed) and loaded.settings.failed_suite == "stop"
        if not stops:
            work.execute(
                "insert or ignore into ledger.judged_file select file_hash from landed_now"
            )
    return ValidationSummary(outcomes, must_stop=stops)


def judge(
    suite: str, metrics: pd.DataFrame, expectations: Sequence[Expectation]
) -> list[Outcome]:
    """Check a table of metrics (one row per batch) against one suite.

    A metric that is unknown for a batch, such as the previous month of the first month, is
    not checked.
    """
    if metrics.empty:
        return []
    results = _great_expectations(suite, metrics, expectations)
    outcomes = []
    for wanted, unmet in zip(expectations, results, strict=True):
        for row, (batch, observed) in enumerate(
            zip(metrics["batch"], metrics[wanted.metric], strict=True)
        ):
            if observed is None or math.isnan(observed):
                continue
            outcomes.append(
                Outcome(
                    suite=suite,
                    batch=str(batch),
                    expectation="between",
                    metric=wanted.metric,
                    is_met=row not in unmet,
                    severity=wanted.severity,
                    observed=float(observed),
                    expected=_bounds(wanted),
                    meaning=wanted.meaning,
                )
            )
    return outcomes


def _bounds(wanted: Expectation) -> str:
    low, high = (None if b is None else plain_number(b) for b in (wanted.min, wanted.max))
    if low is None:
        return f"at most {high}"
    return f"at least {low}" if high is None else f"{low} to {high}"


def _great_expectations(
    name: str, metrics: pd.DataFrame, expectations: Sequence[Expectation]
) -> list[set[int]]:
    """The rows that miss each expectation."""
    gx = checks()
    from great_expectations.data_context.types.base import ProgressBarsConfig
    from great_expectations.expectations.core.expect_column_values_to_be_between import (
        ExpectColumnValuesToBeBetween,
    )
    from great_expectations.expectations.metadata_types import FailureSeverity

    context = gx.get_context(mode="ephemeral")
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    asset = context.data_sources.add_pandas(name).add_dataframe_asset(name)
    batch = asset.add_batch_definition_whole_dataframe(name).get_batch({"dataframe": metrics})
    suite = gx.ExpectationSuite(name=name)
    for wanted in expectations:
        suite.add_expectation(
            ExpectColumnValuesToBeBetween(
                column=wanted.metric,
                min_value=wanted.min,
                max_value=wanted.max,
                severity=FailureSeverity.CRITICAL
                if wanted.severity == "failure"
                else FailureSeverity.WARNING,
                meta={"meaning": wanted.meaning},
            )
        )
    validated = batch.validate(suite, result_format="COMPLETE")
    return [_unmet(result) for result in validated.results]


def _unmet(result: Any) -> set[int]:
    if result.exception_info and result.exception_info.get("raised_exception"):
        raise RuntimeError(str(result.exception_info))
    return {int(row) for row in result.result.get("unexpected_index_list") or ()}


def _keep(work: duckdb.DuckDBPyConnection, outcomes: Sequence[Outcome]) -> None:
    if not outcomes:
        return
    work.execute("begin")  # one transaction, one validated_at
    work.executemany(
        "insert into ledger.validation_result values (now(), ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            [
                o.suite,
                o.batch,
                o.expectation,
                o.metric,
                o.is_met,
                o.severity,
                None if o.observed is None else plain_number(o.observed),
                o.expected,
                o.meaning,
            ]
            for o in outcomes
        ],
    )
    work.execute("commit")


def outcome_text(outcome: Outcome) -> str:
    """One unmet expectation, in one line."""
    found = "unknown" if outcome.observed is None else plain_number(outcome.observed)
    return (
        f"{outcome.batch}: {outcome.metric.replace('_', ' ')} is {found}, "
        f"expected {outcome.expected} ({outcome.meaning})"
    )
