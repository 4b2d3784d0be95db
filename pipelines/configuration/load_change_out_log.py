"""The log of change-outs: what crews did to which meter, and when; one CSV row a job.

A row that cannot be used is left out with a finding that names file, line, account and rule;
all others count. Only a log that cannot be read at all stops a sweep.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipelines.configuration.load_settings import ChangeOutLogSettings
from pipelines.configuration.yaml_file import plain_file
from pipelines.store.delimited import Dialect, dialect, whole_text
from rightsize.contracts.change_outs.job_frame import LOGGED_SCHEMA
from rightsize.contracts.change_outs.job_log import LOG_RULES, LOGGED_KINDS
from rightsize.errors import ConfigError
from rightsize.findings import Finding

REQUIRED: Final = ("done_on", "account_id", "meter_id", "what")
COLUMNS: Final[dict[str, str]] = {
    "done_on": "day of the job, such as 2025-03-12",
    "account_id": "account, as in the meter list",
    "meter_id": "meter taken out, repaired or tested; of those that keep their ID, that ID",
    "what": f"what was done: one of {', '.join(LOGGED_KINDS)}, or a code from `what_codes`",
    "new_meter_id": "meter put in, as in the meter list; empty if the ID stays",
    "note": "free text; not read",
}
"""Every column of the log with its meaning."""

_MISSING: Final = {
    "done_on": "date_missing", "account_id": "account_missing", "meter_id": "meter_missing",
    "what": "what_missing",
}  # fmt: skip
_MOST_SHOWN: Final = 5  # lines of one account in a finding


@dataclass(frozen=True)
class ChangeOutLog:
    """Jobs that can be used, and what became of every row: rows = used + left out.

    `frame` has the columns of `LOGGED_SCHEMA`, in the order of the file.
    """

    path: Path | None
    frame: pl.DataFrame
    refused: tuple[tuple[str, dict[str, Any]], ...]  # rule and row
    row_count: int
    digest: str  # of the file's content; empty without a log

    def findings(self, left_out: pl.DataFrame | None = None) -> list[Finding]:
        """Findings on rows that cannot be used, and on those that the meter list refuses.

        Parameters
        ----------
        left_out : frame, optional
            rule, and the columns of `LOGGED_SCHEMA`.
        """
        if self.path is None:
            return []
        more = [] if left_out is None else left_out.iter_rows(named=True)
        return list(log_findings(self.path, [*self.refused, *((r["rule"], r) for r in more)]))

    def document(self, left_out_count: int = 0) -> dict[str, Any]:
        """The balance of rows, for the record of a sweep.

        Parameters
        ----------
        left_out_count : int
            Rows that the meter list refused besides.
        """
        used = self.frame.height - left_out_count
        return {"rows": self.row_count, "used": used, "left_out": self.row_count - used}


NO_LOG: Final = ChangeOutLog(None, pl.DataFrame(schema=LOGGED_SCHEMA), (), 0, "")


def load_change_out_log(
    path: Path, written: ChangeOutLogSettings, meters: pl.DataFrame
) -> ChangeOutLog:
    """Read the log against the meter list (account_id, meter_id of every stay).

    Raises
    ------
    ConfigError
        If the file cannot be read, or has not the columns that are needed.
    """
    rows = list(_rows(path, written))
    listed = set(meters.select("account_id", "meter_id").iter_rows())
    accounts = {account for account, _ in listed}
    used: list[dict[str, Any]] = []
    refused: list[tuple[str, dict[str, Any]]] = []
    seen: dict[tuple[Any, ...], str] = {}
    for row in rows:
        rule = row.pop("rule", None) or _rule(row, written, listed, accounts, seen)
        if rule:
            refused.append((rule, row))
        else:
            used.append(row)
    frame = pl.DataFrame(
        [{name: row[name] for name in LOGGED_SCHEMA} for row in used], schema=LOGGED_SCHEMA
    )
    digest = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    return ChangeOutLog(path, frame, tuple(refused), len(rows), digest)


def log_findings(path: Path, refused: list[tuple[str, dict[str, Any]]]) -> Iterator[Finding]:
    """One finding for each account and meter with rows that are left out."""
    by_meter: dict[tuple[str | None, str | None], list[tuple[str, int]]] = {}
    for rule, row in refused:
        key = (row.get("account_id") or None, row.get("meter_id") or None)
        by_meter.setdefault(key, []).append((rule, row["line"]))
    for (account, meter), told in sorted(by_meter.items(), key=str):
        shown = [f"line {line}: {LOG_RULES[rule]} ({rule})" for rule, line in told]
        more = len(shown) - _MOST_SHOWN
        tail = f"; and {more:,} more" if more > 0 else ""
        yield Finding(
            account,  # type: ignore[arg-type]  # null: the row names no account
            meter,
            "change_out_row",
            "warning",
            f"{path}: {'; '.join(shown[:_MOST_SHOWN])}{tail}; left out",
            {
                "file": str(path),
                "lines": [line for _, line in told],
                "rules": [rule for rule, _ in told],
            },
        )


def _rule(
    row: dict[str, Any],
    written: ChangeOutLogSettings,
    listed: set[tuple[str, str]],
    accounts: set[str],
    seen: dict[tuple[Any, ...], str],
) -> str | None:
    """The first rule that a row breaks; otherwise the row is typed in place."""
    for name, rule in _MISSING.items():
        if not row[name]:
            return rule
    day = _day(row["done_on"], written.date_format)
    what = written.what_codes.get(row["what"], row["what"])
    if day is None:
        return "date_unreadable"
    if what not in LOGGED_KINDS:
        return "what_unknown"
    account, meter, new = row["account_id"], row["meter_id"], row["new_meter_id"] or None
    if account not in accounts:
        return "account_unknown"
    if (account, meter) not in listed and (account, new) not in listed:
        return "meter_not_at_account"
    key = (account, meter, day)
    if what in seen.get(key, "").split():
        return "row_repeated"
    if key in seen and "test" not in (what, *seen[key].split()):
        return "rows_disagree"
    seen[key] = f"{seen.get(key, '')} {what}".strip()
    row |= {"done_on": day, "what": what, "new_meter_id": new}
    return None


def _day(text: str, date_format: str | None) -> dt.date | None:
    try:
        if date_format:
            return dt.datetime.strptime(text, date_format).replace(tzinfo=dt.UTC).date()
        return dt.date.fromisoformat(text[:10])
    except ValueError:
        return None


def _rows(path: Path, written: ChangeOutLogSettings) -> Iterator[dict[str, Any]]:
    """Every row that is not blank as text by our names, with its line."""
    try:
        plain_file(path)
        kind = dialect(path, delimiter=written.delimiter, encoding=written.encoding)
        advice = "name it as encoding in change_out_log ({fits}), or save the file as UTF-8"
        text = whole_text(path, encoding=written.encoding, advice=advice)
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
    names = _names(path, written, kind)
    below = io.StringIO("\n".join(text.split("\n")[kind.header_line :]))
    reader = csv.reader(below, delimiter=kind.delimiter)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield _named(cells, names, kind.header_line + reader.line_num)
    except csv.Error as error:
        line = kind.header_line + reader.line_num
        raise ConfigError(f"{path} line {line}: cannot be read: {error}") from None


def _named(cells: list[str], names: list[str | None], line: int) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(COLUMNS, "") | {"line": line}
    if any(cell.strip() for cell in cells[len(names) :]):
        row["rule"] = "too_many_columns"
    row |= {n: c.strip() for n, c in zip(names, cells, strict=False) if n is not None}
    return row


def _names(path: Path, written: ChangeOutLogSettings, kind: Dialect) -> list[str | None]:
    """Our name of each column of the file, None for those not used."""
    mapped = {theirs: ours for ours, theirs in written.columns.items()}
    where = f"{path} line {kind.header_line}"
    for ours, theirs in written.columns.items():
        if ours not in COLUMNS:
            raise ConfigError(
                f"{where}: change_out_log.columns maps {ours!r}; allowed: {', '.join(COLUMNS)}"
            )
        if theirs not in kind.header:
            raise ConfigError(
                f"{where}: no column {theirs!r} (our {ours}); the file has: "
                f"{', '.join(kind.header)}"
            )
    plain = [n for n in COLUMNS if n not in written.columns]
    names = [mapped.get(h) or (h if h in plain else None) for h in kind.header]
    for name in REQUIRED:
        if name not in names:
            raise ConfigError(
                f"{where}: missing column {name!r}; the file has: {', '.join(kind.header)}; "
                "change_out_log.columns says which of them it is"
            )
    twice = [n for n in names if n is not None and names.count(n) > 1]
    if twice:
        raise ConfigError(f"{where}: duplicate column {twice[0]!r}")
    return names
