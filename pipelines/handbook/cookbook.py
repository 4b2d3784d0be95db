"""The cookbook: common questions about the results, each a file in `sql/80_cookbook`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pipelines.store.resources import data_root
from rightsize.errors import QueryError
from rightsize.units import UnitSystem
from rightsize.units.column_units import metric_text

_HEADER: Final = re.compile(
    r"^-- (question|grain|reads|why|units):\s*(.*(?:\n--      .*)*)", re.M
)


@dataclass(frozen=True)
class Question:
    """One question: name, text, purpose and SQL statement."""

    name: str
    question: str
    why: str
    sql: str

    def statement(self, units: UnitSystem) -> str:
        """The statement, with column names in these units."""
        return self.sql if units == "us" else metric_text(self.sql)


def cookbook() -> dict[str, Question]:
    """Every question by name."""
    folder = data_root() / "sql" / "80_cookbook"
    return {
        path.stem: _question(path.stem, path.read_text(encoding="utf-8"))
        for path in sorted(folder.glob("*.sql"))
    }


def _question(name: str, text: str) -> Question:
    header = {key: re.sub(r"\n--\s+", " ", value) for key, value in _HEADER.findall(text)}
    statement = "\n".join(line for line in text.splitlines() if not line.startswith("--"))
    return Question(name, header["question"], header["why"], statement.strip() + "\n")


def question(name: str) -> Question:
    """The question with this name.

    Raises
    ------
    QueryError
        If there is none; the message lists the known names.
    """
    book = cookbook()
    if name not in book:
        raise QueryError(f"the cookbook has no question {name!r}; it has: {', '.join(book)}")
    return book[name]
