"""Every code that a module can emit is in its list, and every code of a list has an emitter.

A code outside its list stops the publication of all results: the contract refuses the table.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from rightsize.contracts.results import FINDING, NOT_ASSESSED
from rightsize.demand.sufficiency import not_assessed_reason
from rightsize.evidence.words import REFUSAL_WORD
from rightsize.findings import FINDING_CODES, NOT_ASSESSED_CODES
from rightsize.inference.posterior import FlowPosterior
from rightsize.recommend.rules.meter_rules import CONSTRAINTS

ROOT = Path(__file__).parents[2]
MAKERS = {"Finding": 2, "_finding": 2, "_Rule": 0}
"""Calls that make a finding, with the place of the code among their arguments."""
LISTS = {"rightsize/findings.py"}
"""Where codes are listed, not emitted."""
COLUMNS = {"not_assessed_code"}
"""Names of columns that stand where a code may."""


def _modules() -> Iterator[tuple[str, ast.Module]]:
    for folder in ("rightsize", "pipelines"):
        for path in sorted((ROOT / folder).rglob("*.py")):
            name = path.relative_to(ROOT).as_posix()
            if name not in LISTS and not name.startswith("pipelines/demo/"):
                yield name, ast.parse(path.read_text(encoding="utf-8"))


def _literal(node: ast.expr | None) -> str | None:
    """The text of a literal, or of a polars literal of one."""
    if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "lit" and node.args:
        node = node.args[0]
    return (
        node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None
    )


def _codes_of(call: ast.Call) -> Iterator[str | None]:
    name = getattr(call.func, "id", getattr(call.func, "attr", ""))
    if name in MAKERS and len(call.args) > MAKERS[name]:
        yield _literal(call.args[MAKERS[name]])
    yield from (_literal(k.value) for k in call.keywords if k.arg == "code")


def emitted_findings() -> dict[str, str]:
    """Each finding code that stands where a finding is made, and the module."""
    found: dict[str, str] = {}
    for module, tree in _modules():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                found |= {c: module for c in _codes_of(node) if c and c not in COLUMNS}
            if isinstance(node, ast.Assign) and _is_hits(node):
                keys = node.value.keys  # the codes that the decision itself finds
                found |= {code: module for code in map(_literal, keys) if code}
    return found


def _is_hits(node: ast.Assign) -> bool:
    return isinstance(node.value, ast.Dict) and ast.unparse(node.targets[0]) == "hits"


def test_findings_are_those_of_the_list_and_every_one_has_an_emitter() -> None:
    found = emitted_findings()
    unlisted = {code: module for code, module in found.items() if code not in FINDING_CODES}
    assert unlisted == {}
    assert set(FINDING_CODES) - set(found) == set()
    assert FINDING.column("code").allowed == tuple(FINDING_CODES)


SOUND = {
    "service_kind": "domestic", "meter_type": "turbine", "size_in": 3.0, "meter_index": 4,
    "meter_status": "rated", "meter_refusal": None, "days_covered": 365.0,
    "read_count": 8760.0, "estimated_count": 0.0, "reads_used": 8760.0, "zero_count": 0.0,
    "registered_gal": 1e6, "resolution_gal": 1.0, "has_estimate": True,
    "leak_cut_gpm": None, "leak_cut_gal": 0.0,
}  # fmt: skip
SPOILT = {
    "fire_service": {"service_kind": "fire"},
    "meter_not_rated": {"meter_index": None, "meter_status": "unrated", "meter_refusal": "no"},
    "meter_not_in_catalogue": {"meter_index": None, "meter_status": "unknown"},
    "no_reads": {"read_count": 0.0},
    "too_few_days": {"days_covered": 1.0},
    "many_estimates": {"estimated_count": 8760.0},
    "nearly_all_leak": {"registered_gal": 0.0, "leak_cut_gpm": 1.0, "leak_cut_gal": 5e5},
    "no_registration": {"registered_gal": 0.0},
    "resolution_too_coarse": {"resolution_gal": 1e9},
    "no_estimate": {"has_estimate": False},
}


@pytest.fixture(scope="module")
def refused() -> pl.DataFrame:
    rows = [SOUND, *({**SOUND, **change} for change in SPOILT.values())]
    schema = {
        "meter_index": pl.Int64,
        "meter_refusal": pl.String,
        "leak_cut_gpm": pl.Float64,
    }
    return not_assessed_reason(
        pl.DataFrame(rows, schema_overrides=schema, infer_schema_length=None),
        min_days_covered=90,
        max_estimated_share=0.4,
        max_zero_share=0.999,
        min_reads_per_step=0.2,
        units="us",
    )


def test_the_gate_emits_every_reason_of_the_contract_and_no_other(refused) -> None:
    codes = refused["not_assessed_code"].to_list()
    assert codes == [None, *SPOILT]
    assert list(SPOILT) == list(NOT_ASSESSED_CODES)
    assert NOT_ASSESSED.column("code").allowed == tuple(NOT_ASSESSED_CODES)


def test_every_reason_has_a_message(refused) -> None:
    messages = refused["not_assessed_message"].to_list()
    assert messages[0] is None
    assert all(messages[1:])


def test_the_first_reason_of_the_list_is_the_one_said() -> None:
    """All reasons at once; then, one by one, without the first."""
    names = list(SPOILT)
    for k, first in enumerate(names):
        row = dict(SOUND)
        for name in reversed(names[k:]):
            row |= SPOILT[name]
        schema = {
            "meter_index": pl.Int64,
            "meter_refusal": pl.String,
            "leak_cut_gpm": pl.Float64,
        }
        said = not_assessed_reason(
            pl.DataFrame([row], schema_overrides=schema),
            min_days_covered=90,
            max_estimated_share=0.4,
            max_zero_share=0.999,
            min_reads_per_step=0.2,
            units="us",
        )
        assert said["not_assessed_code"].item() == first


def test_nothing_but_the_gate_writes_a_reason_for_no_verdict() -> None:
    """A module that spells such a code itself would be a second gate."""
    own = set(NOT_ASSESSED_CODES) - set(FINDING_CODES)
    gate = "rightsize/demand/sufficiency.py"
    spelled = {
        (module, node.value)
        for module, tree in _modules()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and node.value in own and module != gate
    }
    # the type of meter and the rule of the meter choice that share a name with a reason
    assert {value for _, value in spelled} <= {"fire_service"}


RULE_FILES = (
    "sql/10_land/placed_read.sql", "sql/10_land/wide_read.sql", "sql/10_land/espi_read.sql",
    "sql/20_validate/judged_read.sql", "sql/20_validate/flagged_read.sql",
    "pipelines/store/delimited.py", "pipelines/sources/staged.py",
    "pipelines/sources/text_file.py", "pipelines/sources/espi.py",
    "pipelines/sources/flow_log_file.py", "pipelines/stages/land/land_file.py",
)  # fmt: skip
COMPOSED = {
    *(
        f"{amount}_{what}"
        for amount in ("volume", "reading")
        for what in ("unreadable", "not_finite", "negative")
    ),
    *(f"read_{quality}" for quality in ("estimated", "edited", "questionable", "missing")),
}
"""Rules named by what the file holds: `getvariable('amount_name') || '_negative'` and
`'read_' || quality`."""


def _listed_rules() -> set[str]:
    text = (ROOT / "sql/20_validate/read_rule.sql").read_text(encoding="utf-8")
    return set(re.findall(r"\('(\w+)', '(?:reject|flag)'", text))


def test_every_rule_of_rows_is_listed_and_has_an_emitter() -> None:
    texts = [(ROOT / name).read_text(encoding="utf-8") for name in RULE_FILES]
    words = {w for text in texts for w in re.findall(r"['\"]([a-z]+(?:_[a-z]+)+)['\"]", text)}
    listed = _listed_rules()
    assert len(listed) > 30
    assert listed - words - COMPOSED == set()
    assert COMPOSED - listed == set()
    in_case = {
        rule
        for name, text in zip(RULE_FILES, texts, strict=True)
        if name.endswith(".sql")
        for rule in re.findall(
            r"(?:then|else|read_at,)\s+'([a-z]+(?:_[a-z]+)+)'(?!\s*\|\|)", text
        )
    }
    of_lines = {w for w in words if w.startswith("line_")}
    assert in_case | of_lines <= listed | {"line_bytes", "line_feeds", "line_count"}


def test_every_rule_of_the_choice_has_its_words() -> None:
    assert set(CONSTRAINTS) == set(REFUSAL_WORD)


def test_every_array_of_the_posterior_is_known_to_the_gate_or_named_here() -> None:
    """A new array of draws must be held against the gate, or be said to need none."""
    from rightsize.recommend.rules import assessable

    tree = ast.parse(Path(assessable.__file__).read_text(encoding="utf-8"))
    read = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "posterior"
    }
    bounds_only = {
        "registered_envelope_low",
        "registered_envelope_high",
        "known_curve_gal_per_year",
        "installed_test_ratio",  # only what a test is worth
        "steady_gpm",  # only what a log of some nights is worth
    }
    assert set(FlowPosterior.__dataclass_fields__) == read | bounds_only
