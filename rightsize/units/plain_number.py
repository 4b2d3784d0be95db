"""Numbers as people write them: never with an exponent."""

from __future__ import annotations

import math


def plain_number(value: float, digits: int = 6) -> str:
    """So many significant digits, whole digits always all, no trailing zeros, no exponent.

    Python's own `g` turns 9999.5 at four digits into 1e+04.
    """
    if not math.isfinite(value):
        return str(value)
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    short = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if short in ("-0", "") else short
