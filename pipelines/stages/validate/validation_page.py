"""Validation outcomes as one page that opens offline."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import duckdb
from jinja2 import Environment

from pipelines.store.warehouse import run_sql
from pipelines.store.workspace import Workspace

_PAGE: Final = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'">
<title>Validation, {{ utility }}</title><style>
body { font: 15px/1.45 system-ui, sans-serif; margin: 2rem auto; max-width: 76rem;
  padding: 0 1rem; color: #1b2a33; background: #fff; }
table { border-collapse: collapse; width: 100%; margin: .5rem 0 2rem; }
caption { text-align: left; font-weight: 600; padding: .3rem 0; }
th, td { text-align: left; vertical-align: top; padding: .3rem .6rem;
  border-bottom: 1px solid #d5dde2; }
td.n { text-align: right; font-variant-numeric: tabular-nums; }
.failure { color: #9c1c1c; font-weight: 600; } .warning { color: #7a5200; font-weight: 600; }
.met { color: #26633c; }
</style></head><body>
<h1>Validation of {{ utility }}</h1>
<p>{{ summary }} Written {{ written_at }} (UTC). Expectations and their limits are in
<code>config/expectations.yaml</code>;
<code>rightsize rows</code> lists rejected and flagged rows by file and line.</p>
{% for caption, columns, rows in tables if rows %}
<table><caption>{{ caption }}</caption><thead><tr>
{% for c in columns %}<th scope="col">{{ c }}</th>{% endfor %}</tr></thead><tbody>
{% for row in rows %}<tr>{% for value in row %}
{% if value in ("failure", "warning", "met") %}<td class="{{ value }}">{{ value }}</td>
{% elif value is number %}<td class="n">{{ "{:,}".format(value) }}</td>
{% else %}<td>{{ "" if value is none else value }}</td>{% endif %}{% endfor %}</tr>
{% endfor %}</tbody></table>
{% endfor %}
</body></html>
"""


def page_path(workspace: Workspace) -> Path:
    """Path of the page."""
    return workspace.root / "validation.html"


def write_page(work: duckdb.DuckDBPyConnection, workspace: Workspace, utility: str) -> Path:
    """Write the page from the ledger, replacing the previous one."""
    outcomes = run_sql(work, "20_validate/latest_outcome").fetchall()
    missed = [o for o in outcomes if not o[4]]
    failures = sum(o[5] == "failure" for o in missed)
    lines = [
        (
            str(at)[:16],
            suite,
            batch,
            "met" if is_met else severity,
            metric.replace("_", " "),
            seen,
            expected,
            meaning,
        )
        for at, suite, batch, metric, is_met, severity, seen, expected, meaning in outcomes
    ]
    heads = (
        "checked at",
        "suite",
        "batch",
        "outcome",
        "metric",
        "found",
        "expected",
        "meaning",
    )
    tables: list[tuple[str, tuple[str, ...], list[Any]]] = [
        ("Not met", heads, [t for t in lines if t[3] != "met"]),
        ("Files not loaded", ("file", "reason"), _problems(work)),
        ("Loaded files with rejected rows or notes", _FILE_HEADS, _files(work)),
        ("Met", heads, [t for t in lines if t[3] == "met"]),
    ]
    page = Environment(autoescape=True).from_string(_PAGE)
    now = work.execute("select strftime(now(), '%Y-%m-%d %H:%M')").fetchone()
    text = page.render(
        utility=utility,
        summary=(
            f"{len(outcomes):,} checks: {failures:,} failures, "
            f"{len(missed) - failures:,} warnings."
        ),
        written_at=now[0] if now else "",
        tables=tables,
    )
    target = page_path(workspace)
    aside = target.with_suffix(".html.tmp")
    aside.write_text(text, encoding="utf-8")
    aside.replace(target)
    return target


_FILE_HEADS: Final = ("file", "rows", "accepted", "rejected", "not read", "note")


def _problems(work: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    return work.execute(
        "select path, message from ledger.file_problem order by path"
    ).fetchall()


def _files(work: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    return work.execute(
        "select path, rows_landed, rows_accepted, rows_rejected, problem, note "
        "from ledger.landed_file where rows_rejected > 0 or problem is not null "
        "or note is not null order by landed_seq desc limit 1000"
    ).fetchall()
