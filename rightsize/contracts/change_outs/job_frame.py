"""The log of change-outs as a frame: its columns and their types."""

from __future__ import annotations

from typing import Final

import polars as pl

LOGGED_SCHEMA: Final[dict[str, pl.DataType]] = {
    "done_on": pl.Date(),
    "account_id": pl.String(),
    "meter_id": pl.String(),
    "what": pl.String(),
    "new_meter_id": pl.String(),
    "line": pl.Int64(),
}
