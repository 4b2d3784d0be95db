"""Numbers as text: significant digits, thousands separators, never an exponent.

`plain_number` writes one number; `figure` and `money` write a column of a table the same way.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:  # importing it costs a short command a quarter of its time
    import polars as pl

_MILLIONTH: Final = 1e-6
_THOUSANDTH: Final = 1e-3


def rounded(value: float, digits: int) -> float:
    """The value to so many significant digits: 2763 to three is 2760."""
    if value == 0 or not math.isfinite(value):
        return value
    return round(value, digits - 1 - math.floor(math.log10(abs(value))))


def plain_number(value: float, digits: int = 6, *, parted: str = "") -> str:
    """So many significant digits, whole digits always all, no trailing zeros, no exponent.

    `parted` separates thousands. Python's own `g` turns 9999.5 at four digits into 1e+04.
    """
    if not math.isfinite(value):
        return str(value)
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{places}f}".replace(",", parted)
    short = text.rstrip("0").rstrip(".") if places else text
    return "0" if short in ("-0", "") else short


def figure(value: pl.Expr, *, parted: str = ",") -> pl.Expr:
    """A figure as text: whole from 100 on, else three significant digits, no trailing `.0`.

    Thousands stand apart; less than a thousandth is rounded to millionths.
    """
    import polars as pl

    rounded = value.round_sig_figs(3)
    small = rounded.cast(pl.String).str.strip_suffix(".0")
    tiny = pl.concat_str(
        pl.when(value < 0).then(pl.lit("-0.")).otherwise(pl.lit("0.")),
        (rounded.abs() * 1e6)
        .round(0)
        .cast(pl.Int64, strict=False)
        .cast(pl.String)
        .str.zfill(6),
    ).str.strip_chars_end("0")
    return (
        pl.when(value.abs() >= 100)
        .then(_whole(value, parted))
        .when(value.abs() < _MILLIONTH / 2)
        .then(pl.lit("0"))
        .when(value.abs() < _THOUSANDTH)
        .then(tiny)
        .otherwise(small)
    )


def money(usd: pl.Expr, *, parted: str = ",") -> pl.Expr:
    """Whole dollars as text."""
    import polars as pl

    sign = pl.when(usd.round(0) < 0).then(pl.lit("-$")).otherwise(pl.lit("$"))
    return pl.concat_str(sign, _whole(usd.abs(), parted))


def _whole(value: pl.Expr, parted: str) -> pl.Expr:
    """A whole number with its thousands apart: marks are set from the right."""
    import polars as pl

    digits = value.abs().round(0).cast(pl.Int64, strict=False).cast(pl.String)
    apart = digits.str.reverse().str.replace_all(r"(\d{3})", "${1}" + parted)
    sign = pl.when(value <= -0.5).then(pl.lit("-")).otherwise(pl.lit(""))
    return pl.concat_str(sign, apart.str.strip_suffix(parted).str.reverse())
