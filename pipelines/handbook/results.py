"""The handbook's pages on the results: `python -m pipelines.handbook.results [RESULTS]`.

The data dictionary comes from the contracts, the cookbook from `sql/80_cookbook` with the
answers of a published database (the demo's). Neither is edited by hand; tests fail when they no
longer say what contracts and statements say.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from pipelines.commands.query import run_query
from pipelines.handbook.cookbook import Question, cookbook
from rightsize.contracts.results import RESULT_TABLES
from rightsize.contracts.table import NULL_TEXT, Column, Table
from rightsize.contracts.views import VIEWS, View
from rightsize.findings import FINDING_CODES, NOT_ASSESSED_CODES
from rightsize.units.column_units import metric_name

HANDBOOK: Final = Path(__file__).resolve().parents[2] / "rightsize" / "handbook"
DICTIONARY: Final = "data_dictionary.md"
COOKBOOK: Final = "cookbook.md"
SHOWN_ROWS: Final = 5

_DICTIONARY_HEAD: Final = """# Data dictionary

<!-- Written by `python -m pipelines.handbook.results`: change the contracts, not this. -->

Every table and view of `published/results.duckdb`, column by column. The same texts stand in
the database as comments: `rightsize query sweep.yaml recommendation --describe`.

Units stand last in each name. A utility with `units: metric` finds the metric name in the place
of the US one: `_gal` becomes `_m3`, `_gpm` becomes `_m3h` (m3/h), `_in` becomes `_mm` (nominal
diameter DN where the size has one), `_psi` becomes `_bar`. `_pct` is 0 to 100, `_share` and
odds are 0 to 1, `_at` is UTC. `low` and `high` before the unit are the ends of a 90 % interval.
"""
_COOKBOOK_HEAD: Final = """# Cookbook: questions to the results

<!-- Written by `python -m pipelines.handbook.results RESULTS`: change sql/80_cookbook. -->

Each question is a file of `sql/80_cookbook`; paste it into `rightsize query`, into a BI tool or
a notebook. The answers are those of the demo (`rightsize demo`), cut to the first rows; where
one compares sweeps, the demo has but its first. Names of columns are in US units; a metric
utility writes the metric names (see the data dictionary), and figures in a statement such as
`< 1` are then in metric units too.
"""


def dictionary() -> str:
    """The data dictionary as Markdown."""
    parts = [_DICTIONARY_HEAD, "\n".join(_contents())]
    parts += [_table_text(table) for table in RESULT_TABLES]
    parts += [_view_text(view) for view in VIEWS]
    parts += [_finding_text(), _not_assessed_text()]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def _contents() -> Iterator[str]:
    yield "| table or view | holds |"
    yield "|---|---|"
    named = [(table.name, table.meaning) for table in RESULT_TABLES]
    named += [(view.name, view.meaning) for view in VIEWS]
    for name, meaning in named:
        yield f"| [{name}](#{name}) | {meaning} |"


def _table_text(table: Table) -> str:
    history = "every sweep of the history" if table.has_history else "the latest state"
    if table.is_detail:
        history = "the newest sweeps, fewer than of other tables"
    head = [
        f"## {table.name}",
        "",
        table.meaning,
        "",
        f"Grain: {table.grain}. Key: {', '.join(table.key) or 'none'}. Holds {history}.",
        "",
        "| column | metric name | unit | type | null | meaning |",
        "|---|---|---|---|---|---|",
    ]
    return "\n".join(head + [_column_row(c) for c in table.columns])


def _column_row(column: Column) -> str:
    metric = metric_name(column.name)
    null = NULL_TEXT[column.null] + (f": {column.null_means}" if column.null_means else "")
    values = f" One of: {', '.join(column.allowed)}." if column.allowed else ""
    cells = (
        f"`{column.name}`",
        f"`{metric}`" if metric != column.name else "",
        column.unit,
        column.type,
        null,
        f"{column.meaning}.{values}",
    )
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _view_text(view: View) -> str:
    head = [f"## {view.name}", "", f"View. {view.meaning}", "", f"Grain: {view.grain}.", ""]
    if view.own:
        head += ["Its own columns; the others mean what they mean in their table:", ""]
        head += ["| column | meaning |", "|---|---|"]
        head += [f"| `{name}` | {view.comment(name)} |" for name in view.own]
    else:
        tables = ", ".join(table.name for table in view.base)
        head += [f"Columns mean what they mean in: {tables}."]
    return "\n".join(head)


def _finding_text() -> str:
    rows = [
        f"| `{c.code}` | {c.severity} | {c.meaning} |"
        for c in sorted(FINDING_CODES.values(), key=lambda c: c.code)
    ]
    head = ["## Findings", "", "Codes of `finding.code`.", ""]
    return "\n".join([*head, "| code | severity | meaning |", "|---|---|---|", *rows])


def _not_assessed_text() -> str:
    rows = [f"| `{code}` | {meaning} |" for code, meaning in NOT_ASSESSED_CODES.items()]
    head = ["## Reasons for no verdict", "", "Codes of `not_assessed.code`.", ""]
    return "\n".join([*head, "| code | meaning |", "|---|---|", *rows])


def cookbook_page(results: Path) -> str:
    """The cookbook as Markdown, answered from a published database in US units."""
    book = cookbook()
    lines = [f"- [{q.question}](#{q.name})" for q in book.values()]
    parts = [_COOKBOOK_HEAD, "\n".join(lines)]
    parts += [_question_text(q, _answer(results, q)) for q in book.values()]
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def _question_text(question: Question, answer: str) -> str:
    return "\n".join(
        (
            f'<a id="{question.name}"></a>',
            f"## {question.question}",
            "",
            f"{question.why[0].upper()}{question.why[1:]}.",
            "",
            "```sql",
            question.sql.strip(),
            "```",
            "",
            "```text",
            answer.rstrip("\n"),
            "```",
        )
    )


def _answer(results: Path, question: Question) -> str:
    out = io.StringIO()
    run_query(results, question.sql, limit=SHOWN_ROWS, stream=out)
    folder = f"{results.resolve().parent.parent.parent}/"  # of the configuration
    return "\n".join(line.rstrip() for line in _without(folder, out.getvalue().splitlines()))


def _without(folder: str, lines: list[str]) -> list[str]:
    """A table without the folder in its paths; headings lose the room that it took."""
    if not any(folder in line for line in lines):
        return lines
    room = " " * len(folder)
    return [
        line.replace(folder, "") if folder in line else line.replace(room, "", 1)
        for line in lines
    ]


def main(arguments: list[str]) -> None:
    """Write the dictionary, and the cookbook where a published database is named."""
    (HANDBOOK / DICTIONARY).write_text(dictionary(), encoding="utf-8")
    for results in arguments[:1]:
        (HANDBOOK / COOKBOOK).write_text(cookbook_page(Path(results)), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
