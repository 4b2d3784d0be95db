"""Files of flow loggers that try to break the reader: told in a line, rows balance."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import os
from pathlib import Path

import polars as pl
import pytest

from pipelines.commands.health import State
from pipelines.commands.scrub import scrub
from pipelines.configuration.load_settings import load
from pipelines.stages.land.land_flow_logs import LandedLogs, land_flow_logs, landed_logs
from rightsize.errors import DamageError
from tests.faults.told import small_utility

HEAD = "# meter_id: M2\n# pulse_gal: 1\n# step_s: 10\n"
ROWS = "".join(f"2025-06-01T01:{m:02d}:{s:02d},1\n" for m in range(5) for s in range(0, 60, 10))
GOOD = f"{HEAD}at,pulses\n{ROWS}"
ODD_TIMES = (
    "9999-12-31T23:59:59", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00",
    "0001-01-01T00:00:00", "-0001-01-01T00:00:00", "10000-01-01T00:00:00", "infinity",
    "294247-01-10T00:00:00", "0000-00-00T00:00:00", "noon", "1748739600", "",
)  # fmt: skip
US = pl.Datetime("us")


def parquet(column: pl.Series) -> bytes:
    held = io.BytesIO()
    frame = pl.DataFrame({"at": column, "pulses": pl.Series([1] * len(column))})
    frame.write_parquet(held, metadata={"meter_id": "M2", "pulse_gal": "1", "step_s": "10"})
    return held.getvalue()


SECONDS = pl.Series([dt.datetime(2025, 6, 1, 1, 0, s) for s in range(0, 60, 10)])
LIST = pl.Series([[1]] * 6)
TOLD = {  # file: what is said of it, and nothing lands
    "utf-16": (GOOD.encode("utf-16"), "is utf-16; set flow_logs.encoding: utf-16"),
    "utf-32": (GOOD.encode("utf-32"), "is utf-32; set flow_logs.encoding: utf-32"),
    "latin": (GOOD.replace("M2", "Mé").encode("latin-1"), "bytes that are not utf-8"),
    "packed": (gzip.compress(GOOD.encode()), "is packed (gzip); unpack it"),
    "twice": (GOOD.replace("# pulse", "# meter_id: M3\n# pulse").encode(), "stands twice"),
    "underscore": (GOOD.replace("_gal: 1", "_gal: 1_000").encode(), "got '1_000'"),
    "long": (GOOD.replace("_gal: 1", f"_gal: {'9' * 5000}").encode(), "pulse_gal: must be"),
    "nothing": (b"", "no line with columns"),
    "nul": (bytes(1000), "names no meter"),
    "no-columns": ((HEAD + ROWS).encode(), "needs one of the columns pulses and flow"),
    "lists": (parquet(LIST), "holds List(Int64), not times or numbers"),
    "binary": (parquet(pl.Series([b"\xff"] * 6)), "holds Binary, not times or numbers"),
    "duration": (parquet(pl.Series([dt.timedelta(1)] * 6)), "not times or numbers"),
    "cut": (parquet(SECONDS)[:-9], "cannot be read as Parquet"),
}  # fmt: skip
LANDS = {  # file: rows that are rejected
    "year 9999 in Parquet": (parquet(pl.Series([2**63 - 1, -(2**63), 0]).cast(US)), 3),
    "good": (parquet(SECONDS), 0),
    "offset of no zone": (f"{GOOD}2025-06-01T01:30:00+99:99,1\n".encode(), 1),
    "no rows": (f"{HEAD}at,pulses\n".encode(), 0),
    "one time": (f"{HEAD}at,pulses\n{ROWS[:22] * 50}".encode(), 49),
}


class Landed:
    """A utility with a folder of logs."""

    def __init__(self, folder: Path) -> None:
        config = small_utility(folder / "utility", flow_logs={"path": "logs/*"})
        self.folder = config.parent / "logs"
        self.folder.mkdir()
        self.loaded = load(config)

    def land(self, files: dict[str, bytes]) -> LandedLogs:
        """Write files and land what is new."""
        for name, content in files.items():
            (self.folder / name).write_bytes(content)
        return land_flow_logs(self.loaded, self.loaded.workspace)

    def rows(self) -> dict[str, dict]:
        """The ledger's rows by file."""
        found = landed_logs(self.loaded.workspace).to_dicts()
        return {Path(row["path"]).name: row for row in found}


@pytest.fixture
def logs(tmp_path: Path) -> Landed:
    return Landed(tmp_path)


def test_files_that_cannot_be_used_are_each_told_in_a_line(logs):
    found = logs.land({name: content for name, (content, _) in TOLD.items()})
    assert found.landed == 0
    told = {problem.path.name: problem.message for problem in found.problems}
    assert set(told) == set(TOLD)
    for name, (_, words) in TOLD.items():
        assert words in told[name]
        assert str(logs.folder / name) in told[name]
        assert len(told[name]) < 500


def test_rows_that_cannot_be_used_are_counted(logs):
    found = logs.land({name: content for name, (content, _) in LANDS.items()})
    assert not found.problems
    rejected = {name: row["rows_rejected"] for name, row in logs.rows().items()}
    assert rejected == {name: count for name, (_, count) in LANDS.items()}


def test_odd_times_are_rejected_in_rows_and_told_at_the_start(logs):
    in_rows = {f"r{k}": f"{HEAD}at,pulses\n{t},1\n{ROWS}" for k, t in enumerate(ODD_TIMES)}
    starts = {f"s{k}": f"{HEAD}# start_at: {t}\npulses\n1\n" for k, t in enumerate(ODD_TIMES)}
    found = logs.land({name: text.encode() for name, text in (in_rows | starts).items()})
    assert {name: row["rows_rejected"] for name, row in logs.rows().items()} == dict.fromkeys(
        in_rows, 1
    )
    assert {problem.path.name for problem in found.problems} == set(starts)
    assert all("start_at" in problem.message for problem in found.problems)


def test_pipes_and_links_are_skipped_and_the_rest_lands(logs):
    os.mkfifo(logs.folder / "pipe")
    (logs.folder / "loop").symlink_to(logs.folder / "loop")
    (logs.folder / "null").symlink_to("/dev/zero")
    found = logs.land({"good": GOOD.encode()})
    assert (found.landed, len(found.problems)) == (1, 3)


def test_a_log_that_the_lake_lost_lands_again_or_is_told(logs, tmp_path):
    logs.land({"good": GOOD.encode()})
    workspace = logs.loaded.workspace
    [file] = workspace.flow_logs.glob("*.parquet")
    file.unlink()
    [lake] = [c for c in scrub(workspace) if c.name == "working database"]
    assert lake.state is State.failing
    assert str(file) in lake.text
    (logs.folder / "good").rename(tmp_path / "away")
    with pytest.raises(DamageError, match="is missing, and so is its log"):
        logs.land({})
    assert logs.land({"good": GOOD.encode()}).landed == 1
    assert file.is_file()
    assert len(logs.rows()) == 1
