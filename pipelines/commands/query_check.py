"""What counts as a query: one statement that DuckDB's own parser finds read-only.

The statement's type is not enough: a `with` clause may contain a `copy` or an `insert`, and
`explain analyze` runs what it explains. So the parsed tree is checked, and only node types that
read are allowed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any, Final

import duckdb

from rightsize.errors import QueryError

_READING_NODES: Final = frozenset(
    {"SELECT_NODE", "SET_OPERATION_NODE", "RECURSIVE_CTE_NODE", "CTE_NODE"}
)
_RUNNING_FUNCTIONS: Final = frozenset({"query", "json_execute_serialized_sql"})
"""Table functions that run a text as a statement, which cannot be checked here."""
_WRITING_WORDS: Final = frozenset(
    {
        "copy", "insert", "update", "delete", "merge", "create", "drop", "alter", "truncate",
        "attach", "detach", "export", "import", "install", "load", "set", "reset", "pragma",
        "call", "prepare", "execute", "explain", "checkpoint", "vacuum", "use",
    }
)  # fmt: skip
_GAP: Final = r"(?:\s|--[^\n]*(?:\n|$)|/\*.*?\*/)"
_EXPLAIN: Final = re.compile(rf"^{_GAP}*explain\b(?:{_GAP}*analyze\b)?", re.I | re.S)


def check_question(sql: str) -> None:
    """Reject everything but a single read-only statement.

    Raises
    ------
    QueryError
        Saying what was found instead.
    """
    statement = _only_statement(sql)
    kind, text = statement.type.name, statement.query
    if kind == "EXPLAIN":
        explained = _EXPLAIN.match(text)
        if explained is None:
            raise QueryError("use explain as: explain select .., explain analyze select ..")
        inner = text[explained.end() :]
        if _only_statement(inner).type.name != "SELECT":
            raise _refused(_only_statement(inner).type.name)
        _check_tree(inner)
    elif kind == "MULTI" and re.search(r"(?i)\bpivot\b", text):
        _check_words(text)
    elif kind == "SELECT":
        _check_tree(text)
    else:
        raise _refused(kind)
    if statement.named_parameters:
        raise QueryError(
            "query parameters ($1, ?) are not supported; write the values in the query"
        )


def _refused(kind: str) -> QueryError:
    return QueryError(f"{kind} not allowed: results are read-only; use SELECT")


def _only_statement(sql: str) -> duckdb.Statement:
    try:
        statements = duckdb.extract_statements(sql)
    except duckdb.Error as error:
        raise QueryError(f"invalid query: {error}") from None
    if not statements:
        raise QueryError('no query given; try "select * from flagged_account limit 20"')
    if len(statements) > 1:
        raise QueryError(f"only one statement per query; got {len(statements)}")
    return statements[0]


def _check_tree(sql: str) -> None:
    """Check that every node of the parsed statement reads, and no function runs a text."""
    with duckdb.connect() as parser:
        row = parser.execute("select json_serialize_sql(?::varchar)", [sql]).fetchone()
    try:
        tree = json.loads(row[0]) if row else {"error": True}
    except RecursionError:
        raise QueryError("the query is nested too deeply") from None
    if tree.get("error"):
        raise QueryError(f"query not allowed: {tree.get('error_message', 'not a select')}")
    for node in _nodes(tree):
        kind = node.get("type")
        if isinstance(kind, str) and kind.endswith("_NODE") and kind not in _READING_NODES:
            raise _refused(kind.removesuffix("_NODE").removesuffix("_QUERY"))
        if str(node.get("function_name")).lower() in _RUNNING_FUNCTIONS:
            raise QueryError(
                f"{node['function_name']}() is not allowed: the text that it runs cannot be"
                " checked; write the query itself"
            )


def _nodes(tree: Any) -> Iterator[dict[str, Any]]:
    waiting = [tree]
    while waiting:
        here = waiting.pop()
        if isinstance(here, dict):
            yield here
            waiting += here.values()
        elif isinstance(here, list):
            waiting += here


def _check_words(sql: str) -> None:
    """A pivot has no tree to check, so it must not contain a keyword that writes."""
    starts = [start for start, _ in duckdb.tokenize(sql)]
    for start, end in zip(starts, [*starts[1:], len(sql)], strict=True):
        word = re.match(r"\w*", sql[start:end])
        said = word[0].lower() if word else ""
        if said in _WRITING_WORDS | _RUNNING_FUNCTIONS:
            raise QueryError(
                f"{said} is not allowed in a pivot; if it is a column or an alias, put it in"
                " double quotes"
            )
