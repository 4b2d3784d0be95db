"""Artifacts of a flow run in Prefect's pages: summary, validation, list of change-outs."""

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
"""Rows per table: Prefect keeps artifacts in its database; the results have the full list."""


def show_outcome(outcome: SweepOutcome) -> str:
    """Create the artifacts of a sweep; returns the line shown as the run's state."""
    utility = _key(outcome.loaded.settings.utility)
    create_markdown_artifact(_summary(outcome), key=f"sweep-{utility}", description="Sweep")
    create_table_artifact(_validation(outcome), key=f"validation-{utility}")
    if outcome.published is None:
        return "nothing new: the published results are up to date"
    create_table_artifact(_rows(outcome, "flagged"), key=f"flagged-{utility}")
    create_table_artifact(_rows(outcome, "changed"), key=f"changed-{utility}")
    return f"published sweep {outcome.sweep_id}"


def show_preview(rows: pl.DataFrame) -> str:
    """Create the artifact of a preview."""
    create_table_artifact(
        rows.to_dicts(), key="look", description="Preview: nothing was published"
    )
    return f"preview of {rows.height:,} meters; nothing was published"


def show_program(outcome: ProgramOutcome) -> None:
    """Create the artifact of the year's replacement program."""
    rows = outcome.program.selected.head(MOST_ROWS)
    create_table_artifact(
        rows.to_dicts(), key="program", description="Change-outs in the program"
    )


def _summary(outcome: SweepOutcome) -> str:
    landed, counted = outcome.landed, outcome.reconciliation
    lines = [
        f"# {_plain(outcome.loaded.settings.utility)}: sweep {outcome.sweep_id}",
        "",
        f"- files loaded: {len(landed.files):,}, already loaded: {landed.known_files:,}, "
        f"not readable: {len(landed.unread):,}",
        f"- rows accepted: {landed.rows_accepted:,}, rejected: {landed.rows_rejected:,}",
        f"- validation: {len(outcome.validated.failed)} failed, "
        f"{len(outcome.validated.warned)} warnings",
        f"- results: {'published' if outcome.published else 'unchanged'}",
    ]
    if counted is not None:
        lines.append(
            f"- accounts: {counted.accounts:,}, assessed {counted.assessed:,}, "
            f"not assessed {counted.not_assessed:,}"
        )
    lines += [
        "",
        "| stage | time, s | items | rows | peak memory, MB |",
        "|---|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {c.stage} | {c.duration_s:.1f} | {c.item_count:,} | {c.row_count:,} "
        f"| {c.peak_mb:,.0f} |"
        for c in outcome.costs
    ]
    return "\n".join(lines)


def _validation(outcome: SweepOutcome) -> list[dict[str, Any]]:
    """Unmet expectations first, then the rest."""
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


def _plain(text: str) -> str:
    """Text in which Markdown finds no marks."""
    return re.sub(r"([^\w\s])", r"\\\1", " ".join(text.split()))


def _key(utility: str) -> str:
    """Prefect's keys are lower-case letters, digits and dashes."""
    return re.sub(r"[^a-z0-9]+", "-", utility.lower()).strip("-") or "utility"
