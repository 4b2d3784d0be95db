"""One home for the words: codes, their words and what pages, lists and summaries show."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from rightsize.contracts.columns import ACTIONS, FLAGGED_VERDICTS, VERDICTS
from rightsize.evidence import words
from rightsize.recommend.rules.verdict import actions, verdicts

ROOT = Path(__file__).parents[3]
BOTH = np.array([False, True])


def test_every_verdict_and_action_has_a_word_a_sign_and_a_meaning_in_one_order() -> None:
    for held in (words.VERDICT_WORD, words.VERDICT_SIGN, words.VERDICT_MEANING):
        assert tuple(held) == VERDICTS
    for held in (words.ACTION_WORD, words.ACTION_MEANING):
        assert tuple(held) == ACTIONS
    assert len(set(words.VERDICT_SIGN.values())) == len(VERDICTS)


def _every(count: int) -> list[np.ndarray]:
    return [g.ravel() for g in np.meshgrid(*[BOTH] * count)]


def test_the_decision_gives_every_verdict_and_action_of_the_lists_and_no_other() -> None:
    assessed, undersized, choice, smaller = _every(4)
    given = verdicts(
        is_assessed=assessed, is_undersized=undersized, has_choice=choice, has_smaller=smaller
    )
    assert set(given) == set(VERDICTS)
    done = set()
    for verdict in VERDICTS:
        choice, shown, worth, critical, fire, unverified, stopped = _every(7)
        done |= set(
            actions(
                np.full(len(choice), verdict),
                has_choice=choice,
                is_shown=shown,
                is_worth_logging=worth,
                is_critical=critical,
                is_fire=fire,
                is_fire_unverified=unverified,
                is_stopped=stopped,
            )
        )
    assert done == set(ACTIONS)


@pytest.mark.parametrize(
    "path", sorted((ROOT / "sql").rglob("*.sql")), ids=lambda p: str(p.name)
)
def test_sql_lists_the_verdicts_that_do_not_fit_as_the_contract_does(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for listed in re.findall(r"verdict in \(([^)]*)\)", text):
        assert tuple(re.findall(r"'(\w+)'", listed)) == FLAGGED_VERDICTS


@pytest.mark.parametrize("name", ["rightsize", "pipelines"])
def test_no_other_module_or_page_spells_the_words(name: str) -> None:
    """A verdict's word in a second place would be mended in one of them only."""
    home = {"rightsize/evidence/words.py", "rightsize/contracts/columns.py"}
    spelled = [
        path.relative_to(ROOT).as_posix()
        for path in sorted((ROOT / name).rglob("*"))
        if path.suffix in {".py", ".js", ".html"}
        and re.search(
            r"wrong_type\W{1,6}wrong type|log_first\W{1,6}log first", path.read_text("utf-8")
        )
    ]
    assert set(spelled) <= home
