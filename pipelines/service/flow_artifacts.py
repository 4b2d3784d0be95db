"""What a flow run shows in Prefect's own pages: summary, validation, the list of changes."""

from __future__ import annotations

import re
from typing import Any, Final

import duckdb
import polars as pl
from prefect.artifacts import create_markdown_artifact, create_table_artifact

from pipelines.commands.program import ProgramOutcome
from pipelines.store.resources import sql_text
from pipelines.sweep.sweep import SweepOutcome

MOST_ROWS: Final = 200
"""Of a table: Prefect keeps artifacts in its database; the whole list is in the results."""


def show_outcome(outcome: SweepOutcome) -> str:
    """Leave the artifacts of a sweep; returns the one line that the run's state shows."""
    utility = _key(outcome.loaded.settings.utility)
    create_markdown_artifact(_summary(outcome), key=f"sweep-{utility}", description="Sweep")
    create_table_artifact(_validation(outcome), key=f"validation-{utility}")
    if outcome.published is None:
        return "nothing new: the published results already rest on just this input"
    create_table_artifact(_rows(outcome, "flagged"), key=f"flagged-{utility}")
    create_table_artifact(_rows(outcome, "changed"), key=f"changed-{utility}")
    return f"published sweep {outcome.sweep_id}"


def show_preview(rows: pl.DataFrame) -> str:
    """Leave the rows of a preview."""
    create_table_artifact(rows.to_dicts(), key="look", description="Nothing was published")
    return f"looked at {rows.height} meters; nothing was published"


def show_program(outcome: ProgramOutcome) -> None:
    """Leave the first rows of the year's programme."""
    rows = outcome.program.selected.head(MOST_ROWS)
    create_table_artifact(rows.to_dicts(), key="program", description="Change-outs to do")


def _summary(outcome: SweepOutcome) -> str:
    landed, counted = outcome.landed, outcome.reconciliation
    lines = [
        f"# {outcome.loaded.settings.utility}: sweep {outcome.sweep_id}",
        "",
        f"- files landed: {len(landed.files):,}, known before: {landed.known_files:,}, "
        f"not readable: {len(landed.unread):,}",
        f"- rows accepted: {landed.rows_accepted:,}, refused: {landed.rows_rejected:,}",
        f"- validation: {len(outcome.validated.failed)} failed, "
        f"{len(outcome.validated.warned)} warnings",
        f"- results: {'published' if outcome.published else 'unchanged'}",
    ]
    if counted is not None:
        lines.append(
            f"- accounts: {counted.accounts:,}, assessed {counted.assessed:,}, "
            f"not assessed {counted.not_assessed:,}"
        )
    lines += ["", "| stage | s | items | rows | peak MB |", "|---|---:|---:|---:|---:|"]
    lines += [
        f"| {c.stage} | {c.duration_s:.1f} | {c.item_count:,} | {c.row_count:,} "
        f"| {c.peak_mb:,.0f} |"
        for c in outcome.costs
    ]
    return "\n".join(lines)


def _validation(outcome: SweepOutcome) -> list[dict[str, Any]]:
    """What was not met first, then the rest."""
    ordered = sorted(outcome.validated.outcomes, key=lambda o: (o.is_met, o.severity))
    return [
        {
            "suite": o.suite,
            "batch": o.batch,
            "metric": o.metric,
            "met": "yes" if o.is_met else "no",
            "severity": o.severity,
            "observed": o.observed,
            "expected": o.expected,
            "meaning": o.meaning,
        }
        for o in ordered[:MOST_ROWS]
    ]


def _rows(outcome: SweepOutcome, name: str) -> list[dict[str, Any]]:
    with duckdb.connect(str(outcome.workspace.results), read_only=True) as connection:
        found = connection.execute(sql_text(f"90_observe/{name}_row"), {"rows": MOST_ROWS})
        names = [column[0] for column in found.description or ()]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def _key(utility: str) -> str:
    """Prefect's keys are lower-case letters, digits and dashes."""
    return re.sub(r"[^a-z0-9]+", "-", utility.lower()).strip("-") or "utility"
