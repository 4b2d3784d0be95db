"""An estimate never takes a read's place by accident; where that is asked for, it is told."""

from __future__ import annotations

import itertools
import tempfile
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.configuration.load_settings import load
from pipelines.configuration.meter_list import load_meters
from pipelines.stages.land.read_findings import read_findings
from pipelines.stages.profile.profile import ProfileSummary, profile
from rightsize.errors import ConfigError
from tests.pipelines.exports import HEADER, Utility

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}
DIALS = "meter_id,read_at,reading,quality\n"


@pytest.fixture
def utility(tmp_path: Path) -> Utility:
    return Utility(tmp_path, dict(INTERVAL))


def profiled(utility: Utility) -> ProfileSummary:
    utility.land()
    return profile(utility.workspace, timezone=utility.timezone)


def volume(summary: ProfileSummary) -> float:
    return sum(
        pl.read_parquet(f / "month_stat.parquet")["registered_gal"].sum()
        for f in summary.folders
    )


def told(utility: Utility, summary: ProfileSummary) -> list[tuple[str, Any]]:
    files = {
        table: [f / f"{table}.parquet" for f in summary.folders]
        for table in ("month_stat", "stuck_register", "replaced_read")
    }
    found = read_findings(
        utility.workspace,
        files["month_stat"],
        load_meters(utility.folder / "meters.csv", {}),
        stuck_files=files["stuck_register"],
        replaced_files=files["replaced_read"],
        units="us",
    )
    return [(f.code, f.evidence["read_count"]) for f in found]


def two_exports(utility: Utility, **corrections: Any) -> None:
    utility.more = {
        "exports": [
            {"name": "corrections", "path": "exports/CORR*", **INTERVAL, **corrections},
            {"name": "head-end", "path": "exports/HE*", **INTERVAL},
        ]
    }


def test_corrections_that_sort_first_are_not_lost(utility: Utility) -> None:
    utility.write("CORR_06.csv", HEADER + "M2,2025-06-01 01:00,50,edited\n")
    utility.write("HE_06.csv", HEADER + "M2,2025-06-01 01:00,4,E\nM2,2025-06-01 02:00,4,E\n")
    summary = profiled(utility)
    assert volume(summary) == 54.0
    assert told(utility, summary) == []


def test_of_register_readings_the_measured_one_counts(utility: Utility) -> None:
    utility.export = {"layout": "register"}
    utility.write(
        "a.csv", DIALS + "".join(f"M2,2025-06-01 {h:02d}:00,{10 * h},A\n" for h in range(9))
    )
    utility.write("b.csv", DIALS + "M2,2025-06-01 08:00,500,E\n")
    assert volume(profiled(utility)) == 80.0


def test_an_export_that_supersedes_counts_whatever_its_quality_and_is_told(
    utility: Utility,
) -> None:
    two_exports(utility, supersedes=["head-end"])
    utility.write(
        "CORR_06.csv", HEADER + "M2,2025-06-01 01:00,50,E\nM2,2025-06-01 03:00,50,E\n"
    )
    utility.write("HE_06.csv", HEADER + "M2,2025-06-01 01:00,4,A\nM2,2025-06-01 02:00,4,A\n")
    summary = profiled(utility)
    assert volume(summary) == 104.0
    assert told(utility, summary) == [("estimate_replaces_read", 1)]


def test_supersedes_works_from_the_next_landing_on(utility: Utility) -> None:
    two_exports(utility)
    utility.write("CORR_06.csv", HEADER + "M2,2025-06-01 01:00,50,A\n")
    utility.write("HE_06.csv", HEADER + "M2,2025-06-01 01:00,4,A\n")
    assert volume(profiled(utility)) == 4.0
    two_exports(utility, supersedes=["head-end"])
    assert volume(profiled(utility)) == 50.0
    two_exports(utility)
    assert volume(profiled(utility)) == 4.0


def test_a_long_estimate_over_reads_is_told(utility: Utility) -> None:
    utility.write(
        "HE_06.csv",
        "meter_id,interval_end,volume,quality,interval_min\n"
        "M2,2025-06-01 12:00,600,E,720\nM2,2025-06-01 06:00,4,A,60\n"
        "M2,2025-06-01 13:00,4,A,60\n",
    )
    summary = profiled(utility)
    assert told(utility, summary) == [("estimate_replaces_read", 1)]


@pytest.mark.parametrize(
    ("names", "said"), [(["nobody"], "unknown export"), (["corrections"], "supersedes itself")]
)
def test_supersedes_names_other_exports(utility: Utility, names: list[str], said: str) -> None:
    two_exports(utility, supersedes=names)
    with pytest.raises(ConfigError, match=said):
        load(utility.loaded.path)


READ = st.tuples(
    st.integers(1, 3), st.integers(1, 99), st.sampled_from(["A", "E", "edited", "Q", ""])
)


@settings(max_examples=10, deadline=None)
@given(
    files=st.lists(st.lists(READ, min_size=1, max_size=4), min_size=2, max_size=3),
    data=st.data(),
)
def test_no_order_of_files_puts_an_estimate_before_a_read(
    files: list[list[tuple[int, int, str]]], data: st.DataObject
) -> None:
    """Law: where any measured or edited read landed, the current one is such a read."""
    order = data.draw(st.sampled_from(list(itertools.permutations(range(len(files))))))
    good: dict[int, set[int]] = {}
    for hour, gal, quality in itertools.chain(*files):
        if quality not in ("E", "Q"):
            good.setdefault(hour, set()).add(gal)
    with tempfile.TemporaryDirectory() as folder:
        utility = Utility(Path(folder), dict(INTERVAL))
        for place, number in enumerate(order):
            lines = [f"M1,2025-06-01 {h:02d}:00,{v},{q}\n" for h, v, q in files[number]]
            utility.write(f"f{place}.csv", HEADER + "".join(lines))
        summary = profiled(utility)
        (stat,) = (pl.read_parquet(f / "month_stat.parquet") for f in summary.folders)
        assert stat["shape_count"].item() == len(good)
        assert told(utility, summary) == []
