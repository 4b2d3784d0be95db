"""Figures as a message shows them: as many digits as tell something."""

from __future__ import annotations

import polars as pl

_WHOLE_FROM = 10  # a figure of two digits or more is told without decimals


def shown(figure: pl.Expr, *, decimals: int = 1) -> pl.Expr:
    """A figure as text: whole from 10 on, else rounded, without trailing zeros.

    Parameters
    ----------
    figure
        Any number; its unit stands in the message.
    decimals
        Digits behind the point of a figure below 10.
    """
    text = (
        pl.when(figure.abs() >= _WHOLE_FROM)
        .then(figure.round(0))
        .otherwise(figure.round(decimals))
        .cast(pl.String)
    )
    return text.str.replace(r"\.0$", "")
