"""The meter list as text: its rows under our column names, as the configuration maps them."""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.load_settings import MeterListSettings
from pipelines.configuration.metric_columns import METRIC_COLUMNS
from pipelines.configuration.yaml_file import plain_file
from pipelines.store.delimited import Dialect, dialect, whole_text
from rightsize.errors import ConfigError

_OTHER_NAMES: Final = {"critical": "is_critical"}


def listed_texts(
    path: Path, written: MeterListSettings, ours: Sequence[str], needed: Sequence[str]
) -> tuple[pl.DataFrame, list[str]]:
    """The rows of the list with every column of `ours`, their `line`, and notes.

    Raises
    ------
    ConfigError
        If it cannot be read, or lacks a column that is needed or mapped.
    """
    try:
        plain_file(path)
        kind = dialect(
            path,
            delimiter=written.delimiter,
            encoding=written.encoding,
            skip_lines=written.skip_lines,
        )
        raw = _rows(path, written, kind)
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
    except csv.Error as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None
    if not raw.height:
        raise ConfigError(f"{path}: no meters listed; expected one row per meter")
    known, notes = _known_names(path, written, kind, ours, needed)
    columns = {
        name: raw.to_series(i).str.strip_chars().replace("", None)
        for i, name in enumerate(known)
        if name is not None
    }
    frame = pl.DataFrame(columns).with_columns(
        raw["line"], *(pl.lit(None, dtype=pl.String).alias(n) for n in ours if n not in columns)
    )
    blank = pl.all_horizontal(pl.col(n).fill_null("") == "" for n in columns)
    return frame.filter(~blank), notes


def _rows(path: Path, written: MeterListSettings, kind: Dialect) -> pl.DataFrame:
    """Every row as text, with the line on which it ends; a lone quote stands for inches."""
    advice = "name it as encoding in meter_list ({fits}), or save the list as UTF-8"
    text = whole_text(path, encoding=written.encoding, advice=advice)
    below = io.StringIO("\n".join(text.split("\n")[kind.header_line :]))
    reader = csv.reader(below, delimiter=kind.delimiter)
    width = len(kind.header)
    rows: list[list[str]] = []
    lines: list[int] = []
    for row in reader:
        line = kind.header_line + reader.line_num
        if len(row) > width and any(cell.strip() for cell in row[width:]):
            raise ConfigError(f"{path} line {line}: {len(row)} columns, the header {width}")
        if "".join(row).strip():
            rows.append(row if len(row) == width else (row + [""] * width)[:width])
            lines.append(line)
    columns = zip(*rows, strict=True) if rows else ((),) * width
    texts = [pl.Series(f"c{k}", cells, dtype=pl.String) for k, cells in enumerate(columns)]
    return pl.DataFrame([*texts, pl.Series("line", lines, dtype=pl.Int64)])


def _known_names(
    path: Path,
    written: MeterListSettings,
    kind: Dialect,
    ours: Sequence[str],
    needed: Sequence[str],
) -> tuple[list[str | None], list[str]]:
    """Our name of each column of the file, none of those not used, and a note of these."""
    names = [h.strip() for h in kind.header]
    line = f"{path} line {kind.header_line}"
    mapped = _mapped(line, written.columns, names, (*ours, *METRIC_COLUMNS))
    allowed = [n for n in (*ours, *METRIC_COLUMNS) if n not in written.columns]
    known: list[str | None] = []
    unknown: list[str] = []
    for name in names:
        said = mapped.get(name) or _OTHER_NAMES.get(name, name)
        near = difflib.get_close_matches(name, allowed, n=1, cutoff=0.85)
        if name in mapped or said in allowed:
            if said in known:
                raise ConfigError(f"{line}: duplicate column {name!r}")
            known.append(said)
            continue
        if near and near[0] not in names:
            raise ConfigError(f"{line}: unknown column {name!r}; did you mean {near[0]!r}?")
        unknown.append(name)
        known.append(None)
    given_in_mm = {ours for metric, (ours, _) in METRIC_COLUMNS.items() if metric in known}
    missing = [n for n in needed if n not in known and n not in given_in_mm]
    if missing:
        raise ConfigError(
            f"{line}: missing column {missing[0]!r}; the file has: {', '.join(names)}; "
            "meter_list.columns says which of them it is"
        )
    shown = ", ".join(repr(n) for n in unknown if n)
    return known, [f"{path}: unused columns: {shown}"] if shown else []


def _mapped(
    line: str, columns: dict[str, str], names: list[str], allowed: Sequence[str]
) -> dict[str, str]:
    """Their name -> ours, as `meter_list.columns` says it."""
    for name, theirs in columns.items():
        if name not in allowed:
            raise ConfigError(
                f"{line}: meter_list.columns maps {name!r}, which the list does not have; "
                f"allowed: {', '.join(allowed)}"
            )
        if theirs not in names:
            near = difflib.get_close_matches(theirs, names, n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise ConfigError(
                f"{line}: no column {theirs!r} (our {name}); the file has: "
                f"{', '.join(names)}{hint}"
            )
    return {theirs: name for name, theirs in columns.items()}
