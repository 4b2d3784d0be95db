"""The meter list as text: its rows under our column names, as the configuration maps them."""

from __future__ import annotations

import difflib
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.load_settings import MeterListSettings
from pipelines.configuration.metric_columns import METRIC_COLUMNS
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
    except pl.exceptions.PolarsError as error:
        raise ConfigError(f"{path}: cannot be read: {str(error).splitlines()[0]}") from None
    if raw.width > len(kind.header):
        raise ConfigError(
            f"{path}: rows have {raw.width} columns, but the header has {len(kind.header)}"
        )
    known, notes = _known_names(path, written, kind, ours, needed)
    columns = {
        name: raw.to_series(i).str.strip_chars()
        if i < raw.width
        else pl.Series([], dtype=pl.String)
        for i, name in enumerate(known)
        if name is not None
    }
    if raw.height == 0:
        raise ConfigError(f"{path}: no meters listed; expected one row per meter")
    frame = pl.DataFrame(columns).with_columns(
        pl.lit(None, dtype=pl.String).alias(n) for n in ours if n not in columns
    )
    first_line = kind.header_line + 1
    frame = frame.with_columns(pl.int_range(first_line, pl.len() + first_line).alias("line"))
    blank = pl.all_horizontal(pl.col(n).fill_null("") == "" for n in columns)
    return frame.filter(~blank), notes


def _rows(path: Path, written: MeterListSettings, kind: Dialect) -> pl.DataFrame:
    advice = "name it as encoding in meter_list ({fits}), or save the list as UTF-8"
    text = whole_text(path, encoding=written.encoding, advice=advice)
    return pl.read_csv(
        io.BytesIO(text.encode()),
        separator=kind.delimiter,
        infer_schema=False,
        null_values=[""],
        has_header=False,
        skip_rows=kind.header_line,
        raise_if_empty=False,
    )


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
