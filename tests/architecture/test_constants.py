"""Every number that shapes an answer of the inference has a name, a unit and an origin."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODULES = sorted(
    p
    for p in (ROOT / "rightsize" / "inference").rglob("*.py")
    if p.name not in ("__init__.py", "read_charts.py")  # pictures of the handbook
)
PLAIN = {0, 1, 2, 3, 0.5, 7, 10, 24, 60, 64}  # of formulas, axes, hours, minutes and bits
LARGEST_GUARD = 1e-6  # keeps a quotient or a logarithm finite and moves no result


def unnamed(path: Path) -> list[tuple[int, float]]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named = {
        id(part)
        for node in tree.body
        if isinstance(node, ast.Assign | ast.AnnAssign)
        for part in ast.walk(node)
    }
    caches = {
        id(part)
        for node in ast.walk(tree)
        if isinstance(node, ast.keyword) and node.arg == "maxsize"
        for part in ast.walk(node)
    }
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, int | float)
        and id(node) not in named | caches
        and node.value not in PLAIN
        and node.value > LARGEST_GUARD
    ]


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.name)
def test_numbers_of_the_inference_are_named(path):
    assert unnamed(path) == []


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.name)
def test_named_numbers_say_their_unit_or_origin(path):
    lines = path.read_text(encoding="utf-8").splitlines()
    bare = []
    for node in ast.parse("\n".join(lines)).body:
        if not isinstance(node, ast.AnnAssign) or ast.unparse(node.annotation) != "Final":
            continue
        numbers = [n for n in ast.walk(node) if isinstance(n, ast.Constant)]
        if not any(isinstance(n.value, float) or n.value in range(2, 10**6) for n in numbers):
            continue
        assert node.end_lineno is not None
        following = lines[node.end_lineno] if node.end_lineno < len(lines) else ""
        block = "\n".join(lines[node.lineno - 1 : node.end_lineno])
        said = "#" in block or following.startswith('"""')
        start = node.lineno - 2
        while start >= 0 and re.match(r"_?[A-Z]\w*: Final", lines[start]):
            start -= 1  # one comment may head a few lines
        if not said and not lines[start].startswith("#"):
            bare.append(ast.unparse(node.target))
    assert bare == []


def test_an_unnamed_number_is_found(tmp_path):
    made = tmp_path / "made.py"
    made.write_text("A = 0.35\n\n\ndef f(x):\n    return 0.35 * x + 1e-12\n", encoding="utf-8")
    assert unnamed(made) == [(5, 0.35)]
