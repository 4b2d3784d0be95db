"""`meters.csv`: which meter serves which account, since when, and how its reads are scaled."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.metric_columns import METRIC_COLUMNS, in_us_columns
from pipelines.configuration.yaml_file import plain_file
from pipelines.store.delimited import dialect
from rightsize.errors import ConfigError
from rightsize.findings import Finding
from rightsize.meter_types import METER_TYPES
from rightsize.settings import CUSTOMER_CLASSES, SERVICE_KINDS
from rightsize.units import GAL_PER_UNIT

REQUIRED: Final = ("account_id", "meter_id", "meter_type", "size_in")
_NUMBERS: Final[dict[str, tuple[float, float]]] = {  # allowed range, lower end excluded
    "resolution": (0, 1e6),
    "multiplier": (0, 1e6),
    "service_line_in": (0, 120),
    "spare_head_psi": (-1e-9, 1000),
    "floor_area_ft2": (0, 1e9),
    "register_digits": (0, 15),
}
_DATES: Final = ("installed_on", "removed_on")
OPEN_END_FROM: Final = date(2099, 1, 1)
"""A removal from then on (2099-12-31, 9999-12-31) is no removal: common practice of lists."""
_TEXTS: Final = (
    "customer_class",
    "service_kind",
    "resolution_unit",
    "area",
    "grade",
    "customer_name",
    "service_address",
)
OPTIONAL: Final = (*_DATES, *_NUMBERS, *_TEXTS, "is_critical")
COLUMNS: Final[dict[str, str]] = {
    "account_id": "account served by the meter; an account may have several meters",
    "meter_id": "meter ID, as in the reads",
    "meter_type": f"one of {', '.join(METER_TYPES)}",
    "size_in": "nominal size [in]: `0.75`, `3/4`, `1-1/2`, `5/8x3/4` (the meter's own first)",
    "installed_on": "date such as 2021-04-30; a change-out is two rows with dates that meet",
    "removed_on": "date; empty, or 2099 and later, while the meter is in service",
    "customer_class": "one of ours, or a code of `class_codes`",
    "service_kind": f"one of {', '.join(k for k in SERVICE_KINDS if k)}; domestic if empty",
    "resolution": "smallest step of the register, multiplier included; the reads' own if empty",
    "resolution_unit": f"of `resolution`, one of {', '.join(GAL_PER_UNIT)}; gal if empty",
    "multiplier": "what this meter's amounts are to be multiplied by; 1 if empty",
    "register_digits": "dials of this register, before the export's",
    "service_line_in": "size of the service line [in]",
    "spare_head_psi": "head that the site can spare [psi]; the threshold's if empty",
    "floor_area_ft2": "floor area served [ft2]",
    "grade": "catalog grade, if a type and size has several",
    "is_critical": "yes or no: changes for critical customers go to engineering review",
    "area": "district or route",
    "customer_name": "shown on pages",
    "service_address": "shown on pages",
}
"""Every column with its meaning; metric equivalents are in `metric_columns`."""
_OTHER_NAMES: Final = {"critical": "is_critical"}
_SHOWN: Final = 20
_SIZE_MAX_IN: Final = 36.0
_TRUE: Final = ("true", "yes", "y", "1", "x")
_FALSE: Final = ("false", "no", "n", "0", "")


@dataclass(frozen=True)
class Meters:
    """The meter list, with notes for the analyst.

    `frame` has one row per stay of a meter at an account, in the order of the file: account_id,
    meter_id, meter_type, size_in [in], installed_on, removed_on, customer_class,
    service_kind, resolution_gal [gal] (null if not given), multiplier [1],
    service_line_in [in], spare_head_psi [psi], floor_area_ft2 [ft2], register_digits,
    is_critical, area, grade, customer_name, service_address, line.
    """

    frame: pl.DataFrame
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def load_meters(path: Path, class_codes: Mapping[str, str]) -> Meters:
    """Read the meter list.

    Parameters
    ----------
    path
        A delimited file with a header; metric columns such as `size_mm` are accepted.
    class_codes
        The utility's class codes -> ours.

    Raises
    ------
    ConfigError
        If any value is invalid: each problem names file, line, column, the value and what
        is allowed.
    """
    texts, notes = _texts(path)
    texts, problems = in_us_columns(path, texts)
    problems = problems or list(_problems(path, texts))
    if problems:
        more = len(problems) - _SHOWN
        tail = [f"{path}: and {more:,} more problems"] if more > 0 else []
        raise ConfigError("\n".join([*problems[:_SHOWN], *tail]))
    frame, findings = _with_classes(_typed(texts), class_codes)
    return Meters(frame, findings, tuple(notes))


def _texts(path: Path) -> tuple[pl.DataFrame, list[str]]:
    try:
        plain_file(path)
        kind = dialect(path, delimiter=None, encoding="utf-8")
        raw = pl.read_csv(
            path,
            separator=kind.delimiter,
            infer_schema=False,
            encoding="utf8",
            null_values=[""],
            has_header=False,
            skip_rows=kind.header_line,
            new_columns=None,
            raise_if_empty=False,
            glob=False,
        )
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
    except pl.exceptions.PolarsError as error:
        raise ConfigError(f"{path}: cannot be read: {str(error).splitlines()[0]}") from None
    names = [h.strip() for h in kind.header]
    if raw.width > len(names):
        raise ConfigError(
            f"{path}: rows have {raw.width} columns, but the header has {len(names)}"
        )
    known, notes = _known_names(path, names)
    columns = {
        name: raw.to_series(i).str.strip_chars()
        if i < raw.width
        else pl.Series([None] * raw.height, dtype=pl.String)
        for i, name in enumerate(known)
        if name is not None
    }
    if raw.height == 0:
        raise ConfigError(f"{path}: no meters listed; expected one row per meter")
    frame = pl.DataFrame(columns).with_columns(
        pl.lit(None, dtype=pl.String).alias(n)
        for n in (*REQUIRED, *OPTIONAL)
        if n not in columns
    )
    first_line = kind.header_line + 1
    frame = frame.with_columns(pl.int_range(first_line, pl.len() + first_line).alias("line"))
    blank = pl.all_horizontal(pl.col(n).fill_null("") == "" for n in columns)
    return frame.filter(~blank), notes


def _known_names(path: Path, names: list[str]) -> tuple[list[str | None], list[str]]:
    allowed = (*REQUIRED, *OPTIONAL, *METRIC_COLUMNS)
    known: list[str | None] = []
    unknown: list[str] = []
    for name in names:
        ours = _OTHER_NAMES.get(name, name)
        near = difflib.get_close_matches(name, allowed, n=1, cutoff=0.85)
        if ours in allowed:
            if ours in known:
                raise ConfigError(f"{path} line 1: duplicate column {name!r}")
            known.append(ours)
            continue
        if near and near[0] not in names:
            raise ConfigError(
                f"{path} line 1: unknown column {name!r}; did you mean {near[0]!r}?"
            )
        unknown.append(name)
        known.append(None)
    given_in_mm = {ours for metric, (ours, _) in METRIC_COLUMNS.items() if metric in known}
    missing = [n for n in REQUIRED if n not in known and n not in given_in_mm]
    if missing:
        raise ConfigError(
            f"{path} line 1: missing column {missing[0]!r}; the file has: {', '.join(names)}"
        )
    shown = ", ".join(repr(n) for n in unknown if n)
    return known, [f"{path}: unused columns: {shown}"] if shown else []


def _problems(path: Path, texts: pl.DataFrame) -> Iterator[str]:
    for name in ("account_id", "meter_id", "meter_type", "size_in"):
        empty = texts.filter(pl.col(name).fill_null("") == "")
        yield from (f"{path} line {line}: {name} is empty" for line in empty["line"])
    yield from _not_among(path, texts, "meter_type", METER_TYPES)
    yield from _not_among(path, texts, "service_kind", SERVICE_KINDS)
    yield from _not_among(path, texts, "resolution_unit", tuple(GAL_PER_UNIT))
    yield from _not_among(path, texts, "is_critical", (*_TRUE, *_FALSE), lower=True)
    sized = texts.with_columns(_size_in().alias("number"))
    yield from _outside(path, sized, "size_in", 0, _SIZE_MAX_IN)
    for name, (low, high) in _NUMBERS.items():
        numbered = texts.with_columns(
            pl.col(name).cast(pl.Float64, strict=False).alias("number")
        )
        yield from _outside(path, numbered, name, low, high)
    yield from _date_problems(path, texts)


def _not_among(
    path: Path, texts: pl.DataFrame, name: str, allowed: tuple[str, ...], *, lower: bool = False
) -> Iterator[str]:
    held = pl.col(name).str.to_lowercase() if lower else pl.col(name)
    wrong = texts.filter(held.is_not_null() & (held != "") & ~held.is_in(list(allowed)))
    shown = ", ".join(a for a in allowed if a)
    for line, got in wrong.select("line", name).iter_rows():
        yield f"{path} line {line}: unknown {name} {got!r}; allowed: {shown}"


def _outside(
    path: Path, numbered: pl.DataFrame, name: str, low: float, high: float
) -> Iterator[str]:
    given = pl.col(name).fill_null("") != ""
    inside = (pl.col("number") > low) & (pl.col("number") <= high)
    wrong = numbered.filter(given & ~inside.fill_null(value=False))
    for line, got in wrong.select("line", name).iter_rows():
        least = f"above {low:g}" if low >= 0 else "0 or more"
        most = f"at most {high:,.10g}"
        yield f"{path} line {line}: {name} {got!r} must be a number {least} and {most}"


def _date_problems(path: Path, texts: pl.DataFrame) -> Iterator[str]:
    dated = texts.with_columns(_date(n).alias(f"{n}_date") for n in _DATES)
    for name in _DATES:
        wrong = dated.filter(
            (pl.col(name).fill_null("") != "") & pl.col(f"{name}_date").is_null()
        )
        for line, got in wrong.select("line", name).iter_rows():
            yield f"{path} line {line}: {name} {got!r} must be a date such as 2021-04-30"
    early = dated.filter(pl.col("removed_on_date") < pl.col("installed_on_date"))
    for line in early["line"]:
        yield f"{path} line {line}: removed_on is before installed_on"
    yield from _overlaps(path, dated)


def _overlaps(path: Path, dated: pl.DataFrame) -> Iterator[str]:
    """Overlapping periods of one meter: a meter is at one place at a time."""
    ordered = dated.sort("meter_id", "installed_on_date", "line", nulls_last=False)
    before = ordered.with_columns(
        pl.col("line").shift(1).over("meter_id").alias("line_before"),
        pl.col("removed_on_date").shift(1).over("meter_id").alias("removed_before"),
    )
    overlapping = before.filter(
        pl.col("line_before").is_not_null()
        & (
            pl.col("removed_before").is_null()
            | pl.col("installed_on_date").is_null()
            | (pl.col("removed_before") > pl.col("installed_on_date"))
        )
    )
    for line, meter_id, other in overlapping.select(
        "line", "meter_id", "line_before"
    ).iter_rows():
        yield (
            f"{path} line {line}: duplicate meter_id {meter_id!r}: overlaps in time with line "
            f"{other}; give installed_on and removed_on, or another meter_id"
        )


def _date(name: str) -> pl.Expr:
    return pl.col(name).str.slice(0, 10).str.to_date("%Y-%m-%d", strict=False)


def _removed_on() -> pl.Expr:
    """The day on which a meter was removed; null for an open end."""
    removed_on = _date("removed_on")
    return pl.when(removed_on < OPEN_END_FROM).then(removed_on)


def _size_in() -> pl.Expr:
    """Size in inches, also written `5/8`, `1-1/2`, `1 1/2"` or `5/8x3/4` (the meter's own)."""
    text = (
        pl.col("size_in")
        .str.replace_all(r'["\s]+$|in(ch)?\.?$', "")
        .str.replace(r"\s*[xX].*$", "")
    )
    whole = (
        text.str.extract(r"^(\d+)[-\s]+\d+/\d+$").cast(pl.Float64, strict=False).fill_null(0)
    )
    top = text.str.extract(r"(\d+)/\d+$").cast(pl.Float64, strict=False)
    bottom = text.str.extract(r"\d+/(\d+)$").cast(pl.Float64, strict=False)
    plain = text.str.strip_chars().cast(pl.Float64, strict=False)
    return pl.coalesce(plain, whole + top / bottom)


def _typed(texts: pl.DataFrame) -> pl.DataFrame:
    number = {n: pl.col(n).cast(pl.Float64, strict=False) for n in _NUMBERS}
    unit = pl.col("resolution_unit").replace_strict(
        GAL_PER_UNIT, default=1.0, return_dtype=pl.Float64
    )
    kind = pl.when(pl.col("service_kind").fill_null("") != "").then(pl.col("service_kind"))
    fire = pl.when(pl.col("meter_type") == "fire_service").then(pl.lit("fire"))
    return texts.select(
        "account_id",
        "meter_id",
        "meter_type",
        _size_in().alias("size_in"),
        _date("installed_on").alias("installed_on"),
        _removed_on().alias("removed_on"),
        "customer_class",
        kind.otherwise(fire.otherwise(pl.lit("domestic"))).alias("service_kind"),
        (number["resolution"] * unit).alias("resolution_gal"),
        number["multiplier"].fill_null(1.0).alias("multiplier"),
        number["service_line_in"].alias("service_line_in"),
        number["spare_head_psi"].alias("spare_head_psi"),
        number["floor_area_ft2"].alias("floor_area_ft2"),
        number["register_digits"].cast(pl.Int32).alias("register_digits"),
        pl.col("is_critical")
        .str.to_lowercase()
        .is_in(list(_TRUE))
        .fill_null(value=False)
        .alias("is_critical"),
        "area",
        "grade",
        "customer_name",
        "service_address",
        "line",
    )


def _with_classes(
    frame: pl.DataFrame, class_codes: Mapping[str, str]
) -> tuple[pl.DataFrame, tuple[Finding, ...]]:
    known = {**{c: c for c in CUSTOMER_CLASSES}, **class_codes}
    code = pl.col("customer_class").fill_null("")
    mapped = code.replace_strict(known, default=None, return_dtype=pl.String)
    classed = frame.with_columns(
        code.alias("code"),
        mapped.fill_null("unknown").alias("customer_class"),
        mapped.alias("hit"),
    )
    unmapped = classed.filter(pl.col("hit").is_null() & (pl.col("code") != ""))
    named = ("account_id", "meter_id", "code")
    findings = tuple(
        Finding(
            account_id,
            meter_id,
            "unmapped_class",
            "info",
            f"customer class {code!r} is not in class_codes; class unknown is used",
            {"code": code},
        )
        for account_id, meter_id, code in unmapped.select(named).iter_rows()
    )
    return classed.drop("code", "hit"), findings
