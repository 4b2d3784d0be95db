"""Small wrong changes of a source file: of an operator, a number, an aggregate, a branch.

A mutant is the text of the file with one such change. Tests that rest on what the file says
must fail on it; a mutant that none notices tells of a missing test, or changes nothing.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Mutant:
    """One change: where, from what to what, and the whole changed text."""

    line: int
    column: int
    before: str
    after: str
    text: str

    @property
    def what(self) -> str:
        """The change in one line."""
        return f"line {self.line}, column {self.column}: {self.before} -> {self.after}"


_GUARD: Final = 1e-5
"""Smaller numbers are tolerances, or keep a divisor from zero: no test tells them apart."""
_BINARY: Final = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.Pow: ("**", "*"),
}
_COMPARED: Final = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"),
    ast.In: ("in", "not in"),
    ast.NotIn: ("not in", "in"),
}
_CALLED: Final = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "nanmin": "nanmax",
    "nanmax": "nanmin",
    "sum": "max",
    "mean": "max",
    "any": "all",
    "all": "any",
    "floor": "ceil",
    "ceil": "floor",
    "cumsum": "cumprod",
    "quantile": "nanmedian",
}
_SQL: Final = (
    (r"\bsum\(", "max("),
    (r"\bavg\(", "sum("),
    (r"\bmin\(", "max("),
    (r"\bmax\(", "min("),
    (r"\barg_min\(", "arg_max("),
    (r"\barg_max\(", "arg_min("),
    (r"\blag\(", "lead("),
    (r"\blead\(", "lag("),
    (r"\bgreatest\(", "least("),
    (r"\bleast\(", "greatest("),
    (r"\bbool_or\(", "bool_and("),
    (r"\bbool_and\(", "bool_or("),
    (r"\bleft join\b", "join"),
    (r"\band\b", "or"),
    (r"\bor\b", "and"),
    (r"\bis not null\b", "is null"),
    (r"\bis null\b", "is not null"),
    (r"\bdesc\b", "asc"),
    (r"\bnot\b(?! null)", ""),
    (r"(?<![<>!=])=(?!=|>)", "<>"),
    (r"<>", "="),
    (r"(?<![<>-])>(?!=)", ">="),
    (r"(?<!<)<(?![=>])", "<="),
    (r">=", ">"),
    (r"<=", "<"),
    (r" \+ ", " - "),
    (r" - ", " + "),
    (r" \* ", " / "),
    (r" / ", " * "),
    (r"(?<![\w.'])\d+(?:\.\d+)?(?![\w.])", None),
)


def python_mutants(source: str) -> Iterator[Mutant]:
    """Mutants of the bodies of functions of a module, and of its numbers."""
    tree = ast.parse(source)
    lines = source.splitlines(keepends=True)
    for node in _code_of(tree):
        for start, end, after in _changes(node, lines):
            yield _changed(source, lines, start, end, after)


def _code_of(tree: ast.Module) -> Iterator[ast.AST]:
    """Nodes whose value counts: no annotation, no default of a dataclass field's metadata."""
    skipped: set[int] = set()
    for node in ast.walk(tree):
        for field in ("annotation", "returns"):
            if (part := getattr(node, field, None)) is not None:
                skipped |= {id(n) for n in ast.walk(part)}
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            skipped |= {id(n) for n in ast.walk(node)}
        if isinstance(node, ast.Raise | ast.Assert):
            skipped |= {id(n) for n in ast.walk(node)}
        if isinstance(node, ast.Call) and _name(node.func) in ("Field", "dataclass", "field"):
            skipped |= {id(n) for n in ast.walk(node)}
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(n) for n in ast.walk(node)}
    yield from (node for node in ast.walk(tree) if id(node) not in skipped)


Place = tuple[int, int]


def _changes(node: ast.AST, lines: list[str]) -> Iterator[tuple[Place, Place, str]]:
    if isinstance(node, ast.BinOp) and type(node.op) in _BINARY:
        if not _is_text(node.left) and not _is_text(node.right):
            yield from _between(node.left, node.right, *_BINARY[type(node.op)], lines)
    elif isinstance(node, ast.Compare) and len(node.ops) == 1:
        if type(node.ops[0]) in _COMPARED:
            pair = _COMPARED[type(node.ops[0])]
            yield from _between(node.left, node.comparators[0], *pair, lines)
    elif isinstance(node, ast.BoolOp):
        pair = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            yield from _between(left, right, *pair, lines)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        row, column = _start(node)
        width = len("not ") if isinstance(node.op, ast.Not) else 1
        yield (row, column), (row, column + width), ""
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
        if isinstance(node.value, bool) or not 0 < node.value < _GUARD:
            yield _start(node), _end(node), _other(node.value)
    elif isinstance(node, ast.Call) and _name(node.func) in _CALLED:
        end = _end(node.func)
        name = _name(node.func)
        yield (end[0], end[1] - len(name)), end, _CALLED[name]
    elif isinstance(node, ast.IfExp):
        test = node.test
        yield _start(test), _end(test), f"not ({_slice(lines, _start(test), _end(test))})"


def _other(value: float) -> str:
    if isinstance(value, bool):
        return str(not value)
    return str(value + 1) if isinstance(value, int) else repr(value * 1.5 + (value == 0))


def _name(function: ast.expr) -> str:
    return getattr(function, "attr", None) or getattr(function, "id", "")


def _is_text(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _between(
    left: ast.expr, right: ast.expr, before: str, after: str, lines: list[str]
) -> Iterator[tuple[Place, Place, str]]:
    """The operator that stands between two operands, if it stands on one line."""
    row, column = _end(left)
    while row <= right.lineno:
        text = lines[row - 1].encode()
        stop = right.col_offset if row == right.lineno else len(text)
        at = text.find(before.encode(), column, stop)
        if at >= 0:
            yield (row, at), (row, at + len(before)), after
            return
        row, column = row + 1, 0


def _start(node: ast.expr) -> Place:
    return node.lineno, node.col_offset


def _end(node: ast.expr) -> Place:
    assert node.end_lineno is not None
    assert node.end_col_offset is not None
    return node.end_lineno, node.end_col_offset


def _offset(lines: list[str], place: Place) -> int:
    row, column = place
    return sum(len(line.encode()) for line in lines[: row - 1]) + column


def _slice(lines: list[str], start: Place, end: Place) -> str:
    whole = "".join(lines).encode()
    return whole[_offset(lines, start) : _offset(lines, end)].decode()


def _changed(source: str, lines: list[str], start: Place, end: Place, after: str) -> Mutant:
    whole = source.encode()
    first, last = _offset(lines, start), _offset(lines, end)
    text = (whole[:first] + after.encode() + whole[last:]).decode()
    return Mutant(*start, whole[first:last].decode(), after, text)


def sql_mutants(source: str) -> Iterator[Mutant]:
    """Mutants of a statement; its comments and texts stay."""
    plain = re.sub(r"--[^\n]*|'[^'\n]*'", lambda m: "\x00" * len(m.group()), source)
    for pattern, after in _SQL:
        for hit in re.finditer(pattern, plain):
            before = hit.group()
            new = _next_number(before) if after is None else after
            line = source.count("\n", 0, hit.start()) + 1
            column = hit.start() - (source.rfind("\n", 0, hit.start()) + 1)
            text = source[: hit.start()] + new + source[hit.end() :]
            yield Mutant(line, column, before, new, text)


def _next_number(text: str) -> str:
    return repr(float(text) * 1.5) if "." in text else str(int(text) + 1)
