"""`meters.csv`: which meter serves which account, since when, and how its reads are scaled."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration import site_record
from pipelines.configuration.load_settings import Loaded, MeterListSettings
from pipelines.configuration.meter_texts import listed_texts
from pipelines.configuration.metric_columns import in_us_columns
from rightsize.contracts.site_record import RECORD_TEXTS
from rightsize.errors import ConfigError
from rightsize.findings import Finding
from rightsize.meter_types import METER_TYPES
from rightsize.settings import CUSTOMER_CLASSES, FIRE_ARRANGEMENTS, SERVICE_KINDS
from rightsize.units import GAL_PER_UNIT

REQUIRED: Final = ("account_id", "meter_id", "meter_type", "size_in")
_NUMBERS: Final[dict[str, tuple[float, float]]] = {  # allowed range, lower end excluded
    "resolution": (0, 1e6),
    "multiplier": (0, 1e6),
    "service_line_in": (0, 120),
    "spare_head_psi": (-1e-9, 1000),
    "floor_area_ft2": (0, 1e9),
    "register_digits": (0, 15),
    **site_record.NUMBERS,
}
_DATES: Final = ("installed_on", "removed_on")
OPEN_END_FROM: Final = date(2099, 1, 1)
"""From then on (2099-12-31, 9999-12-31) it means not removed: common practice in lists."""
_TEXTS: Final = (
    "customer_class",
    "service_kind",
    "fire_arrangement",
    "resolution_unit",
    "area",
    "grade",
    "customer_name",
    "service_address",
    *RECORD_TEXTS,
)
OPTIONAL: Final = (*_DATES, *_NUMBERS, *_TEXTS, "is_critical")
COLUMNS: Final[dict[str, str]] = {
    "account_id": "account served by the meter; an account may have several meters",
    "meter_id": "meter ID, as in the reads",
    "meter_type": f"one of {', '.join(METER_TYPES)}",
    "size_in": "nominal size [in]: `0.75`, `3/4`, `1-1/2`, `5/8x3/4` (the meter's own first)",
    "installed_on": "date such as 2021-04-30; a change-out is two rows with adjoining dates;"
    " the age narrows what the meter's curve may be",
    "removed_on": "date; empty, or 2099 and later, while the meter is in service",
    "customer_class": "one of the classes below, or a code from `class_codes`",
    "service_kind": f"one of {', '.join(k for k in SERVICE_KINDS if k)}; unknown if empty",
    "fire_arrangement": "separate (its own fire line), combined (one line for use and fire:"
    " never resized) or none; not on record if empty",
    "resolution": "register resolution, multiplier included; the reads' own if empty",
    "resolution_unit": f"unit of `resolution`, one of {', '.join(GAL_PER_UNIT)}; gal if empty",
    "multiplier": "multiplier for this meter's reads; 1 if empty",
    "register_digits": "digits of this register; overrides the export's",
    "service_line_in": "service line size [in]",
    "spare_head_psi": "available pressure drop at the site [psi]; the threshold if empty",
    "floor_area_ft2": "floor area served [ft2]",
    "grade": "catalog grade, if a type and size has several",
    "is_critical": "yes or no: changes for critical customers go to engineering review",
    **site_record.MEANINGS,
    "area": "district or route",
    "customer_name": "shown on pages",
    "service_address": "shown on pages",
}
"""Every column with its meaning; metric equivalents are in `metric_columns`."""
_SHOWN: Final = 20
_SIZE_MAX_IN: Final = 36.0
_TRUE: Final = ("true", "yes", "y", "1", "x")
_FALSE: Final = ("false", "no", "n", "0", "")


@dataclass(frozen=True)
class Meters:
    """The meter list, with notes for the analyst.

    `frame` has one row per stay of a meter at an account, in the order of the file: account_id,
    meter_id, meter_type, size_in [in], installed_on, removed_on, customer_class,
    service_kind, fire_arrangement (null if not recorded), resolution_gal [gal] (null if not
    given), multiplier [1], service_line_in [in], spare_head_psi [psi], floor_area_ft2 [ft2],
    register_digits, is_critical, the columns of `site_record`, area, grade, customer_name,
    service_address, line.
    """

    frame: pl.DataFrame
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def meters_of(loaded: Loaded) -> Meters:
    """The meter list of a configuration.

    Raises
    ------
    ConfigError
        If anything in it cannot be used.
    """
    said = loaded.settings
    return load_meters(loaded.file(said.meters), said.class_codes, said.meter_list)


def load_meters(
    path: Path,
    class_codes: Mapping[str, str],
    written: MeterListSettings | None = None,
) -> Meters:
    """Read the meter list.

    Parameters
    ----------
    path
        A delimited file with a header; metric columns such as `size_mm` are accepted.
    class_codes
        The utility's class codes -> ours.
    written
        How it is written, where not as ours.

    Raises
    ------
    ConfigError
        If any value is invalid: each problem names file, line, column, the value and what
        is allowed.
    """
    written = written or MeterListSettings.model_validate({})
    texts, notes = listed_texts(path, written, (*REQUIRED, *OPTIONAL), REQUIRED)
    texts = texts.with_columns(
        pl.col("meter_type").replace(written.type_codes),
        *(_as_ours(name, written.date_format) for name in _DATES),
    )
    texts, problems = in_us_columns(path, texts)
    problems = problems or list(_problems(path, texts, written.date_format))
    if problems:
        more = len(problems) - _SHOWN
        tail = [f"{path}: and {more:,} more problems"] if more > 0 else []
        raise ConfigError("\n".join([*problems[:_SHOWN], *tail]))
    frame, findings = _with_classes(_typed(texts), class_codes)
    return Meters(frame, findings, tuple(notes))


def _as_ours(name: str, date_format: str | None) -> pl.Expr:
    """A date of the list's format as ours; any other text as it is, to be told."""
    if date_format is None:
        return pl.col(name)
    read = pl.col(name).str.to_date(date_format, strict=False)
    return pl.coalesce(read.dt.strftime("%Y-%m-%d"), pl.col(name))


def _problems(path: Path, texts: pl.DataFrame, date_format: str | None) -> Iterator[str]:
    for name in ("account_id", "meter_id", "meter_type", "size_in"):
        empty = texts.filter(pl.col(name).fill_null("") == "")
        yield from _told(path, empty, name, "is empty")
    yield from _not_among(path, texts, "meter_type", METER_TYPES)
    yield from _not_among(path, texts, "service_kind", SERVICE_KINDS)
    yield from _not_among(path, texts, "fire_arrangement", FIRE_ARRANGEMENTS)
    for name, allowed in RECORD_TEXTS.items():
        if not allowed:
            continue
        yield from _not_among(path, texts, name, allowed)
    yield from _fire_contradictions(path, texts)
    yield from _not_among(path, texts, "resolution_unit", tuple(GAL_PER_UNIT))
    yield from _not_among(path, texts, "is_critical", (*_TRUE, *_FALSE), lower=True)
    sized = texts.with_columns(_size_in().alias("number"))
    yield from _outside(path, sized, "size_in", 0, _SIZE_MAX_IN)
    for name, (low, high) in _NUMBERS.items():
        numbered = texts.with_columns(
            pl.col(name).cast(pl.Float64, strict=False).alias("number")
        )
        yield from _outside(path, numbered, name, low, high)
    yield from _date_problems(path, texts, date_format)


def _told(path: Path, wrong: pl.DataFrame, name: str, reason: str) -> Iterator[str]:
    """Each wrong value once: its first line, what is wrong, and how many lines have it."""
    by_value = wrong.group_by(name, maintain_order=True).agg(
        pl.col("line").first().alias("first_line"), pl.len().alias("count")
    )
    for got, line, count in by_value.iter_rows():
        value = f" {got!r}" if got else ""
        others = f" (and on {count - 1:,} lines more)" if count > 1 else ""
        yield f"{path} line {line}: {name}{value} {reason}{others}"


def _not_among(
    path: Path, texts: pl.DataFrame, name: str, allowed: tuple[str, ...], *, lower: bool = False
) -> Iterator[str]:
    held = pl.col(name).str.to_lowercase() if lower else pl.col(name)
    wrong = texts.filter(held.is_not_null() & (held != "") & ~held.is_in(list(allowed)))
    shown = ", ".join(a for a in allowed if a)
    codes = "; or map it in meter_list.type_codes" if name == "meter_type" else ""
    yield from _told(path, wrong, name, f"is unknown; allowed: {shown}{codes}")


def _fire_contradictions(path: Path, texts: pl.DataFrame) -> Iterator[str]:
    """A fire or combined service whose record says that there is no fire flow."""
    kind, arrangement = pl.col("service_kind"), pl.col("fire_arrangement")
    wrong = texts.filter(kind.is_in(["fire", "combined"]) & (arrangement == "none"))
    for line, got in wrong.select("line", "service_kind").iter_rows():
        yield f"{path} line {line}: service_kind {got!r} contradicts fire_arrangement 'none'"


def _outside(
    path: Path, numbered: pl.DataFrame, name: str, low: float, high: float
) -> Iterator[str]:
    given = pl.col(name).fill_null("") != ""
    inside = (pl.col("number") > low) & (pl.col("number") <= high)
    wrong = numbered.filter(given & ~inside.fill_null(value=False))
    least = f"above {low:g}" if low >= 0 else "0 or more"
    most = f"at most {high:,.10g}"
    yield from _told(path, wrong, name, f"must be a number {least} and {most}")


def _date_problems(path: Path, texts: pl.DataFrame, date_format: str | None) -> Iterator[str]:
    wanted = (
        f"of the format {date_format}"
        if date_format
        else "such as 2021-04-30; meter_list.date_format names another format"
    )
    dated = texts.with_columns(_date(n).alias(f"{n}_date") for n in _DATES)
    for name in _DATES:
        wrong = dated.filter(
            (pl.col(name).fill_null("") != "") & pl.col(f"{name}_date").is_null()
        )
        yield from _told(path, wrong, name, f"must be a date {wanted}")
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
    """Removal date of a meter; null if it is in service."""
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
    return texts.select(
        "account_id",
        "meter_id",
        "meter_type",
        _size_in().alias("size_in"),
        _date("installed_on").alias("installed_on"),
        _removed_on().alias("removed_on"),
        "customer_class",
        _service_kind().alias("service_kind"),
        pl.col("fire_arrangement").replace("", None),
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
        *site_record.typed(),
        "area",
        "grade",
        "customer_name",
        "service_address",
        "line",
    )


def _service_kind() -> pl.Expr:
    """What the line serves: a line that is recorded as combined is one, whatever else it is."""
    listed = pl.col("service_kind").replace("", None)
    is_combined = (pl.col("fire_arrangement") == "combined").fill_null(value=False)
    by_meter = pl.when(pl.col("meter_type") == "fire_service").then(pl.lit("fire"))
    plain = pl.coalesce(listed, by_meter, pl.lit("unknown"))
    return pl.when(is_combined & (plain != "fire")).then(pl.lit("combined")).otherwise(plain)


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
