"""The house keeps its walls: imports point one way, SQL says its grain, names carry units."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOMAIN_MAY_IMPORT = {
    "rightsize", "numpy", "scipy", "polars", "pydantic", "altair", "vl_convert", "jinja2",
    "markupsafe",
}  # fmt: skip
IMPURE = {
    "os", "sys", "io", "pathlib", "time", "logging", "sqlite3", "socket", "subprocess",
    "shutil", "tempfile", "urllib", "http", "threading", "multiprocessing", "random",
    "secrets", "glob",
}  # fmt: skip
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "pipelines", "rightsize", "sql", "tests",
    "config", "demo_data",
}  # fmt: skip
ARTEFACTS = {"build", "dist", "venv", "demo"}

domain_modules = sorted((ROOT / "rightsize").rglob("*.py"))
code_modules = sorted([*domain_modules, *(ROOT / "pipelines").rglob("*.py")])
sql_files = sorted((ROOT / "sql").rglob("*.sql"))


def imported(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module.split(".")[0])
    return found


def relative(path: Path) -> str:
    return str(path.relative_to(ROOT))


@pytest.mark.parametrize("path", domain_modules, ids=relative)
def test_domain_imports_no_machinery(path: Path) -> None:
    names = imported(path)
    assert not names & IMPURE, f"{relative(path)} reaches outside: {names & IMPURE}"
    foreign = names - DOMAIN_MAY_IMPORT - set(sys.stdlib_module_names) - {"__future__"}
    assert not foreign, f"{relative(path)} imports {foreign}"


@pytest.mark.parametrize("path", domain_modules, ids=relative)
def test_domain_opens_no_file_and_reads_no_clock(path: Path) -> None:
    calls = {
        node.func.id if isinstance(node.func, ast.Name) else node.func.attr
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute)
    }
    forbidden = {"open", "print", "input", "now", "today", "utcnow", "read_csv", "read_parquet"}
    assert not calls & forbidden


@pytest.mark.parametrize("path", sql_files, ids=relative)
def test_sql_says_grain_sources_and_why(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    header = "\n".join(line for line in text.splitlines() if line.startswith("--"))
    for word in ("grain:", "reads:", "why:", "units:"):
        assert word in header, f"{relative(path)} lacks {word!r} in its header"
    body = "\n".join(line.split("--")[0] for line in text.splitlines())
    body = re.sub(r"'[^']*'", "''", body)
    statements = [s for s in body.split(";") if s.strip()]
    assert len(statements) == 1, f"{relative(path)} holds {len(statements)} statements"


@pytest.mark.parametrize("path", sql_files, ids=relative)
def test_sql_is_lower_case_and_narrow(path: Path) -> None:
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        assert len(line) <= 100, f"{relative(path)}:{number} is {len(line)} wide"
        code = re.sub(r"'[^']*'", "", line.split("--")[0])
        assert not re.search(r"\b(SELECT|FROM|WHERE|GROUP|ORDER|JOIN)\b", code), (
            f"{relative(path)}:{number}: keywords are lower case"
        )


def test_top_level_is_what_the_architecture_says() -> None:
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    tops = {line.split("/")[0] for line in listed if line} or {p.name for p in ROOT.iterdir()}
    tops = {t for t in tops if not t.startswith(".")} - ARTEFACTS
    assert tops <= TOP_LEVEL, f"unexpected at the top: {tops - TOP_LEVEL}"


QUANTITY = re.compile(
    r"(^|_)(flow|volume|peak|head|loss|price|cost|charge|benefit|revenue|size|interval|duration)$"
)


@pytest.mark.parametrize("path", code_modules, ids=relative)
def test_numbers_carry_their_unit(path: Path) -> None:
    """A float argument or field named for a quantity ends in its unit."""
    bare = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        pairs: list[tuple[str, ast.expr | None]] = []
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            pairs.append((node.target.id, node.annotation))
        if isinstance(node, ast.arg):
            pairs.append((node.arg, node.annotation))
        for name, annotation in pairs:
            said = ast.unparse(annotation) if annotation is not None else ""
            is_number = re.search(r"\b(float|Array|NDArray)\b", said) is not None
            if is_number and QUANTITY.search(name) and not name.startswith("odds_of"):
                bare.append(name)
    assert not bare, f"{relative(path)}: {bare} lack a unit"


def test_one_module_reads_between_the_points_of_a_curve() -> None:
    """Every other asks `meters/curve.py`; knots and wear interpolate errors, not curves."""
    may = {
        "rightsize/meters/curve.py",
        "rightsize/meters/uncertainty/knots.py",
        "rightsize/meters/uncertainty/wear.py",
    }
    reads = re.compile(r"np\.interp\([^)]*np\.log|np\.interp\(ln_gpm")
    found = {relative(p) for p in domain_modules if reads.search(p.read_text(encoding="utf-8"))}
    assert found <= may
    assert "rightsize/meters/curve.py" in found
