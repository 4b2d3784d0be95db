"""An odd export of a utility in Chicago, and what it says by arithmetic of its own.

60 accounts, 61 meters (one was exchanged), hourly register readings for 2025 and a little
around it: semicolons, two title lines, local time on a twelve-hour clock with the date first
by month, readings in ccf or kgal by the row, and corrections in a second file. Nothing here
imports the project.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

ZONE = "America/Chicago"
GAL_PER_CCF = 748.0519480519481  # 231 in3 a gallon, 1728 in3 a cubic foot: NIST Handbook 44
GAL_PER_KGAL = 1000.0
FIRST = datetime(2024, 12, 30, tzinfo=ZoneInfo(ZONE))
LAST = datetime(2026, 1, 1, tzinfo=ZoneInfo(ZONE))
EXCHANGED_ON = datetime(2025, 6, 10, tzinfo=ZoneInfo(ZONE))
ACCOUNTS = 60
TITLE = "Register read report\nUtility;Chicago local time\n"
HEADER = ["Serial No", "Read Date/Time", "Register Read", "UOM", "Read Status"]
STAMP = "%m/%d/%Y %I:%M %p"


@dataclass(frozen=True)
class OddUtility:
    """The files, as they lie in a folder."""

    folder: Path

    @property
    def files(self) -> list[Path]:
        """What a user would pass to `look`."""
        return [self.folder / n for n in ("reads.txt", "reads_fixed.txt", "meter master.csv")]


def write_odd_utility(folder: Path) -> OddUtility:
    """Write the exports and the meter list."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(2025)
    hours = int((LAST.astimezone(UTC) - FIRST.astimezone(UTC)) / timedelta(hours=1)) + 1
    utc = [FIRST.astimezone(UTC) + timedelta(hours=k) for k in range(hours)]
    local = [at.astimezone(ZoneInfo(ZONE)) for at in utc]
    stamps = [at.strftime(STAMP) for at in local]
    exchanged = sum(at < EXCHANGED_ON.astimezone(UTC) for at in utc)
    day = np.array([at.hour for at in local])
    parts, fixed = [], []
    for account in range(ACCOUNTS):
        steps = rng.gamma(0.6, 1.0, hours) * (0.3 + np.exp(-(((day - 12) / 5.0) ** 2)))
        level = rng.uniform(2, 60)
        is_kgal = account % 4 == 3
        step = 0.01 if not is_kgal else 0.001
        ticks = np.floor(np.cumsum(steps) * level * (1 if not is_kgal else 10)).astype(int)
        if account == 0:
            spans = [("S-0", 0, exchanged + 1, 41_000), ("S-0B", exchanged, hours, 12)]
        else:
            spans = [(f"S-{account}", 0, hours, 1_000 * account)]
        for serial, begin, end, start in spans:
            own = ticks[begin:end] - ticks[begin] + start
            status = np.full(end - begin, "ACT", dtype=object)
            shown = own.copy()
            for wrong in rng.choice(np.arange(50, end - begin - 50), 20, replace=False):
                shown[wrong] = shown[wrong - 1]  # an estimate that a visit put right later
                status[wrong] = "EST"
                fixed.append(
                    (serial, stamps[begin + wrong], own[wrong] * step, is_kgal, "EDIT")
                )
            parts += [
                (serial, stamps[begin + k], shown[k] * step, is_kgal, status[k])
                for k in range(end - begin)
            ]
    folds = {s for s in stamps if s.startswith("11/02/2025 01:")}
    fixed = [row for row in fixed if row[1] not in folds]
    (folder / "reads.txt").write_text(_text(parts))
    (folder / "reads_fixed.txt").write_text(_text(fixed))
    (folder / "meter master.csv").write_text(_meters())
    return OddUtility(folder)


def _text(rows: list[tuple[str, str, float, bool, str]]) -> str:
    lines = [
        f"{serial};{stamp};"
        + (f"{value:.3f};KGAL" if is_kgal else f"{value:.2f};CCF")
        + f";{code}"
        for serial, stamp, value, is_kgal, code in rows
    ]
    return TITLE + ";".join(HEADER) + "\n" + "\n".join(lines) + "\n"


def _meters() -> str:
    head = "Acct No|Serial No|Mtr Type|Size|Install Date|Remove Date|Rate Class|Route"
    rows = [
        "A-0|S-0|TURB|2|05/13/2011|06/10/2025|OFF|7",
        "A-0|S-0B|TURB|2|06/10/2025||OFF|7",
    ]
    for k in range(1, ACCOUNTS):
        kind, size = (("PD", '5/8"'), ("PD", "1"), ("TURB", "2"), ("CMPD", "3"))[k % 4]
        code = ("OFF", "REST", "SCHOOL", "APART")[k % 4]
        rows.append(
            f"A-{k}|S-{k}|{kind}|{size}|0{1 + k % 9}/{14 + k % 14}/2012||{code}|{k % 9}"
        )
    return "\n".join([head, *rows]) + "\n"


def hourly_gal(odd: OddUtility) -> pl.DataFrame:
    """Hourly volumes by account, from the files alone: account_id, end_at (UTC), gal."""
    reads = pl.concat(
        _reads(path).with_columns(pl.lit(rank).alias("rank"))
        for rank, path in enumerate(odd.files[:2])
    )
    current = reads.sort("rank").unique(["serial", "at"], keep="last").sort("serial", "at")
    volumes = current.with_columns(pl.col("gal").diff().over("serial").alias("step"))
    account = pl.concat_str(pl.lit("A-"), pl.col("serial").str.extract(r"S-(\d+)"))
    return volumes.drop_nulls("step").select(
        account.alias("account_id"), pl.col("at").alias("end_at"), pl.col("step").alias("gal")
    )


def _reads(path: Path) -> pl.DataFrame:
    raw = pl.read_csv(
        path.read_text().removeprefix(TITLE).encode(), separator=";", infer_schema=False
    )
    stamp = pl.col("Read Date/Time").str.to_datetime(STAMP)
    passage = pl.int_range(pl.len()).over("Serial No", "Read Date/Time")
    first = stamp.dt.replace_time_zone(ZONE, ambiguous="earliest")
    second = stamp.dt.replace_time_zone(ZONE, ambiguous="latest")
    gal = pl.when(pl.col("UOM") == "CCF").then(GAL_PER_CCF).otherwise(GAL_PER_KGAL)
    return raw.select(
        pl.col("Serial No").alias("serial"),
        pl.when(passage == 0)
        .then(first)
        .otherwise(second)
        .dt.convert_time_zone("UTC")
        .alias("at"),
        (pl.col("Register Read").cast(pl.Float64) * gal).alias("gal"),
    )
