"""The mutants are what they say, and each area has sources and tests to draw on."""

from __future__ import annotations

import ast

import pytest

from tests.mutation.areas import AREAS
from tests.mutation.mutants import python_mutants, sql_mutants
from tests.mutation.run import ROOT, all_mutants

SOURCE = '''"""Of 3 words - and a text."""
LIMIT: Final[float] = 2.0


def f(a: float, b: float = 1) -> float:
    if a > 3 and not b:
        raise ValueError(f"{a + 1} is above {LIMIT - 1}")
    return max(a, -b) * 2 / LIMIT if a <= b else a ** 2
'''


def test_code_is_changed_and_neither_texts_nor_annotations():
    changes = [(m.line, m.before, m.after) for m in python_mutants(SOURCE)]
    assert sorted(changes) == [
        (2, "2.0", "3.0"),
        (5, "1", "2"),
        (6, "3", "4"),
        (6, ">", ">="),
        (6, "and", "or"),
        (6, "not ", ""),
        (8, "*", "/"),
        (8, "**", "*"),
        (8, "-", ""),
        (8, "/", "*"),
        (8, "2", "3"),
        (8, "2", "3"),
        (8, "<=", "<"),
        (8, "a <= b", "not (a <= b)"),
        (8, "max", "min"),
    ]


def test_a_statement_is_changed_and_neither_its_comments_nor_its_texts():
    source = "-- sum(1)\nselect sum(a) + 2 as x from t\nwhere b >= 0 and c = 'and 1'\n"
    changes = [(m.line, m.before, m.after) for m in sql_mutants(source)]
    assert sorted(changes) == [
        (2, " + ", " - "),
        (2, "2", "3"),
        (2, "sum(", "max("),
        (3, "0", "1"),
        (3, "=", "<>"),
        (3, ">=", ">"),
        (3, "and", "or"),
    ]


@pytest.mark.parametrize("area", sorted(AREAS))
def test_every_mutant_differs_and_those_of_python_can_be_read(area):
    drawn = all_mutants(AREAS[area])
    assert len(drawn) > 200
    for one in drawn:
        assert one.mutant.text != (ROOT / one.file).read_text(encoding="utf-8")
    for one in drawn[::20]:
        if one.file.endswith(".py"):
            ast.parse(one.mutant.text)
    assert all((ROOT / path).exists() for path in AREAS[area].tests)
