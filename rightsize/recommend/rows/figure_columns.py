"""Figures of sentences as columns of text, all written in one pass."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import polars as pl

from rightsize.units.plain_number import figure, money
from rightsize.wording import Wording

_WRITERS: Final = {"figure": figure, "money": money}


@dataclass(frozen=True)
class FigureColumns(Wording):
    """Wording whose figures are columns that `written` adds to a frame.

    An expression of many figures costs a milliseconds-long start for each of them, however
    few the rows; here the numbers of all columns are written under each other, as one.
    """

    asked: dict[str, list[pl.Expr]] = field(
        default_factory=lambda: {kind: [] for kind in _WRITERS}, compare=False
    )

    def figure(self, value: pl.Expr) -> pl.Expr:
        """A figure without a unit."""
        return self._column("figure", value)

    def money(self, usd: pl.Expr) -> pl.Expr:
        """Whole dollars."""
        return self._column("money", usd)

    def _column(self, kind: str, value: pl.Expr) -> pl.Expr:
        held = self.asked[kind]
        place = next((k for k, e in enumerate(held) if e.meta.eq(value)), len(held))
        if place == len(held):
            held.append(value)
        return pl.col(f"_{kind}_{place}")

    def written(self, frame: pl.DataFrame) -> pl.DataFrame:
        """`frame` with the columns of all figures that were asked for."""
        texts = []
        for kind, write in _WRITERS.items():
            asked = self.asked[kind]
            if not asked:
                continue
            values = frame.select(
                value.cast(pl.Float64).alias(f"_{kind}_{k}") for k, value in enumerate(asked)
            )
            stacked = pl.concat([column.alias("value") for column in values])
            text = (
                stacked.to_frame()
                .select(write(pl.col("value"), parted=self.parted))
                .to_series()
            )
            texts += [
                text.slice(k * frame.height, frame.height).alias(f"_{kind}_{k}")
                for k in range(len(asked))
            ]
        return frame.with_columns(texts)
