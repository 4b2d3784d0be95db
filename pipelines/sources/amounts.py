"""Volumes, units and quality codes of an export, as SQL."""

from __future__ import annotations

from typing import Final

from pipelines.configuration.load_settings import ExportSettings
from pipelines.store.warehouse import quoted
from rightsize.errors import ConfigError
from rightsize.units import GAL_PER_UNIT

QUALITIES: Final = ("measured", "estimated", "edited", "questionable", "missing")

_USUAL_CODES: Final[dict[str, tuple[str, ...]]] = {
    "measured": (
        "measured", "a", "act", "actual", "v", "valid", "validated", "verified", "ok", "good",
        "normal", "r", "raw", "read", "regular",
    ),
    "estimated": ("estimated", "e", "est", "estimate", "interpolated", "projected"),
    "edited": ("edited", "manual", "corrected", "adjusted"),
    "questionable": ("questionable", "q", "suspect", "s", "invalid", "failed"),
    "missing": ("missing", "no read", "noread", "none", "null"),
}  # fmt: skip

_UNIT_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "gal": ("gal", "gals", "gallon", "gallons", "usgal", "us gal"),
    "kgal": ("kgal", "kgals", "tgal", "1000 gal", "thousand gallons"),
    "ft3": ("ft3", "cf", "cuft", "cu ft", "cubic feet", "ft^3"),
    "ccf": ("ccf", "hcf", "100 cf", "hundred cubic feet"),
    "L": ("l", "liter", "litre", "liters", "litres"),
    "m3": ("m3", "cbm", "cum", "m^3", "cubic meter", "cubic metre"),
}


def unit_of_word(word: str) -> str | None:
    """Our unit for a word that exports use for it; None where it is not known."""
    lowered = word.strip().lower()
    return next((unit for unit, words in _UNIT_WORDS.items() if lowered in words), None)


def is_usual_quality(code: str) -> bool:
    """Whether a quality code is understood without `quality_codes`."""
    return any(code.strip().lower() in codes for codes in _USUAL_CODES.values())


def amount_macro(export: ExportSettings) -> str:
    """Defines `amount_of(text)`: a number as the export writes it, else null.

    A thousands separator is removed only if the configuration names it: otherwise `1,234`
    could be 1.234 or 1234, and either guess could be wrong.
    """
    text = "t"
    if export.thousands:
        text = f"replace({text}, {quoted(export.thousands)}, '')"
    if export.decimal == ",":
        text = f"case when contains({text}, '.') then null else replace({text}, ',', '.') end"
    return f"create or replace temp macro amount_of(t) as try_cast({text} as double)"


def quality_macro(export: ExportSettings, *, usual_code: str | None = None) -> str:
    """Defines `quality_of(text)`: one of our five words, null if the code is unknown.

    `usual_code` is the code of most reads, verbatim; it is tested first.

    Raises
    ------
    ConfigError
        If `quality_codes` names an unknown quality.
    """
    own = {}
    for code, ours in export.quality_codes.items():
        if ours not in QUALITIES:
            raise ConfigError(
                f"export {export.name!r}: quality_codes maps {code!r} to {ours!r}; "
                f"allowed: {', '.join(QUALITIES)}"
            )
        own[str(code).strip().lower()] = ours
    known = {code: ours for ours, codes in _USUAL_CODES.items() for code in codes}
    merged = {**known, **own}
    whens = []
    for ours in QUALITIES:
        codes = [code for code, name in merged.items() if name == ours]
        if codes:
            listed = ", ".join(quoted(code) for code in codes)
            whens.append(f"when lower(trim(t)) in ({listed}) then '{ours}'::quality_word")
    usual = usual_code or ""
    quick = merged.get(usual.strip().lower())
    first = f"when t = {quoted(usual)} then '{quick}'::quality_word " if usual and quick else ""
    return (
        f"create or replace temp macro quality_of(t) as case {first}"
        f"when t is null or trim(t) = '' then 'measured'::quality_word {' '.join(whens)} end"
    )


def unit_macro(export: ExportSettings) -> str:
    """Defines `gal_of_unit(text)`: gallons in a unit; the export's unit if none is given."""
    whens = " ".join(
        f"when lower(t) in ({', '.join(quoted(w) for w in words)}) then {GAL_PER_UNIT[unit]!r}"
        for unit, words in _UNIT_WORDS.items()
    )
    return (
        "create or replace temp macro gal_of_unit(t) as case when t is null or t = '' "
        f"then {GAL_PER_UNIT[export.unit]!r}::double {whens} end"
    )
