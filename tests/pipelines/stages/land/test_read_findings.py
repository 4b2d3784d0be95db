"""Wrong multipliers and shifted clocks are found, seasons are not (PLANTED)."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.configuration.meter_list import load_meters
from pipelines.stages.land.read_findings import read_findings
from pipelines.store.ledger import prepare
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from tests.pipelines.exports import HEADER, METERS, Utility


def found(
    folder: Path, gal_per_day: list[float], peak_gpm: list[float] | None = None
) -> list[tuple[str, object]]:
    """Findings of a meter with these daily volumes, month by month.

    Its largest flow goes with the volume where it is not said.
    """
    workspace = Workspace(folder / "workspace")
    files = []
    peaks = peak_gpm or [gal / 100 for gal in gal_per_day]
    for month, (gal, peak) in enumerate(zip(gal_per_day, peaks, strict=True), start=1):
        file = folder / f"month=2025-{month:02d}" / "month_stat.parquet"
        file.parent.mkdir(parents=True)
        with duckdb.connect() as connection:
            connection.execute(
                f"copy (select 'M1' as meter_id, {gal * 30}::double as registered_gal, "
                f"30.0::double as days_covered, 0.0::double as gap_days, "
                f"{peak}::double as max_interval_gpm) "
                f"to '{file}' (format parquet)"
            )
        files.append(file)
    (folder / "meters.csv").write_text(METERS)
    with work_database(workspace) as work:
        prepare(work)
    meters = load_meters(folder / "meters.csv", {})
    told = read_findings(workspace, files, meters, stuck_files=[], units="us")
    return [(f.code, f.evidence["factor"]) for f in told]


@pytest.mark.parametrize("factor", [7.48, 10, 100, 1000, 748])
@pytest.mark.parametrize("is_rise", [True, False])
def test_a_level_that_jumps_by_a_unit_is_suspect(
    tmp_path: Path, factor: float, is_rise: bool
) -> None:
    low = [300, 330, 290, 310]
    high = [v * factor for v in (305, 315, 300)]
    series = [*low, *high] if is_rise else [*high, *low]
    assert found(tmp_path, series) == [("suspect_multiplier", factor)]


@pytest.mark.parametrize(
    "series",
    [
        [300, 330, 290, 310, 305, 320, 280],  # steady
        [20, 30, 90, 300, 900, 1500, 1400, 700, 200, 60, 25, 20],  # irrigation
        [300, 310, 900, 950, 920, 910],  # grew threefold
        [300, 310, 3000],  # too short to tell
    ],
)
def test_seasons_and_growth_are_not(tmp_path: Path, series: list[float]) -> None:
    assert found(tmp_path, series) == []


@st.composite
def months_of_a_meter(draw: st.DrawFn) -> list[float]:
    """Volumes of months at a level, that jumps or does not."""
    level = draw(st.lists(st.sampled_from((0.0, 1.0, 1.2, 2.4, 2.5)), min_size=2, max_size=12))
    factor = draw(st.sampled_from((1.0, 3.0, 6.51, 7.48, 8.5, 10.0, 0.1, 1 / 6.6, 748.0)))
    jumps = draw(st.integers(0, len(level)))
    return [v * (factor if k >= jumps else 1) for k, v in enumerate(level)]


@settings(max_examples=25, deadline=None)
@given(st.lists(months_of_a_meter(), min_size=20, max_size=40))
def test_medians_of_few_meters_find_what_those_of_all_find(meters: list[list[float]]) -> None:
    """Meters that are left out for their least and largest months could not be suspect."""
    statement = sql_text("20_validate/suspect_multiplier")
    whole = statement.replace("semi join level using (meter_id)", "")
    assert whole != statement
    stat = pl.DataFrame(
        [
            (f"M{m}", f"x/month=2025-{k + 1:02d}/", gal * 30, 30.0, 0.0, gal / 100)
            for m, months in enumerate(meters)
            for k, gal in enumerate(months)
        ],
        schema=[
            "meter_id", "filename", "registered_gal", "days_covered", "gap_days",
            "max_interval_gpm",
        ],
        orient="row",
    )  # fmt: skip
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.register("stat", stat.to_arrow())
        some, every = (
            connection.execute(re.sub(r"read_parquet\([^)]*\)", "stat", s)).fetchall()
            for s in (statement, whole)
        )
    assert some == every


def test_more_than_the_pipe_carries_is_suspect(tmp_path: Path) -> None:
    """M1 is 1 in: HAND 2.448 * 40 ft/s * (1 in)^2 = 97.9 gpm."""
    steady = [900.0, 910.0, 905.0]
    assert found(tmp_path / "sound", steady, [97.0, 97.0, 97.0]) == []
    assert found(tmp_path / "lone", steady, [9.0, 685.0, 9.0]) == []  # one damaged read
    assert found(tmp_path / "off", steady, [685.0, 680.0, 690.0]) == [
        ("suspect_multiplier", 7.48)
    ]
    assert found(tmp_path / "far", steady, [9700.0] * 3) == [("suspect_multiplier", 100)]


def test_a_leak_that_begins_is_no_unit(tmp_path: Path) -> None:
    """Ten times the volume from one month to the next, but hardly more at the fullest hour."""
    volumes = [215, 212, 227, 2370, 2410, 2390, 2400]
    peaks = [3.1, 3.4, 3.0, 4.6, 5.0, 4.7, 4.9]
    assert found(tmp_path / "leak", volumes, peaks) == []
    scaled = [3.1, 3.4, 3.0, 33, 30, 35, 31]
    assert found(tmp_path / "unit", volumes, scaled) == [("suspect_multiplier", 10)]


def test_a_coarser_register_is_still_told_by_its_factor(tmp_path: Path) -> None:
    """A register of 100 gal a count, taken for gallons: a lone count is the largest flow."""
    volumes = [900, 950, 930, 9.2, 9.4, 9.1]
    peaks = [2.5, 2.6, 2.4, 1 / 60, 1 / 60, 2 / 60]
    assert found(tmp_path, volumes, peaks) == [("suspect_multiplier", 100)]


BEFORE = [300.0, 300.0, 300.0]


@pytest.mark.parametrize(
    ("series", "peaks", "is_found"),
    [
        ([*BEFORE, *[3000 * 1.14] * 3], None, True),  # e^0.14 is 1.150
        ([*BEFORE, *[3000 * 1.16] * 3], None, False),
        ([300, 745, 300, 3000, 3000, 3000], None, True),  # spread of a level: 2.5 at most
        ([300, 755, 300, 3000, 3000, 3000], None, False),
        ([*BEFORE, 3000, 7450, 3000], None, True),
        ([*BEFORE, 3000, 7550, 3000], None, False),
        ([*BEFORE, *[3000] * 3], [3, 3, 3, 10.1, 10.1, 10.1], True),  # peak: 3 times off
        ([*BEFORE, *[3000] * 3], [3, 3, 3, 9.9, 9.9, 9.9], False),
        ([300, 300, 3000, 3000], None, True),  # two months before, four in all
        ([300, 3000, 3000, 3000], None, False),
        ([300, 300, 3000], None, False),
    ],
)
def test_a_jump_is_suspect_up_to_its_limits(
    tmp_path: Path, series: list[float], peaks: list[float] | None, is_found: bool
) -> None:
    """Limits of `20_validate/suspect_multiplier`, all our convention."""
    expected = [("suspect_multiplier", 10)] if is_found else []
    assert found(tmp_path, series, peaks) == expected


def against_class(folder: Path, gal_per_day: list[float], suspect: float) -> list[str]:
    """Meters called suspect among many of one class and size, the last with `suspect`."""
    workspace = Workspace(folder / "workspace")
    every = [*gal_per_day, suspect]
    lines = [f"A-{k},M{k},displacement,0.75,retail" for k in range(len(every))]
    (folder / "meters.csv").write_text(
        "account_id,meter_id,meter_type,size_in,customer_class\n" + "\n".join(lines) + "\n"
    )
    files = []
    for month in ("01", "02", "03"):
        file = folder / f"month=2025-{month}" / "month_stat.parquet"
        file.parent.mkdir(parents=True)
        stats = pl.DataFrame(
            {
                "meter_id": [f"M{k}" for k in range(len(every))],
                "registered_gal": [30.0 * v for v in every],
                "days_covered": [30.0] * len(every),
                "gap_days": [0.0] * len(every),
                "max_interval_gpm": [v / 1000 for v in every],
            }
        )
        stats.write_parquet(file)
        files.append(file)
    with work_database(workspace) as work:
        prepare(work)
    meters = load_meters(folder / "meters.csv", {})
    told = read_findings(workspace, files, meters, stuck_files=[], units="us")
    assert all(f.code == "suspect_multiplier" for f in told)
    return [str(f.meter_id) for f in told]


ALIKE = [200.0 * 1.01**k for k in range(60)]  # 200 to 360 gal a day, median 268


@pytest.mark.parametrize("factor", [7.48, 10, 100, 1000])
@pytest.mark.parametrize("is_above", [True, False])
def test_a_factor_against_the_class_is_suspect(
    tmp_path: Path, factor: float, is_above: bool
) -> None:
    suspect = 268 * factor if is_above else 268 / factor
    assert against_class(tmp_path, ALIKE, suspect) == ["M60"]


@pytest.mark.parametrize(
    ("others", "suspect"),
    [
        (ALIKE, 268 * 4),  # no factor of a unit
        (ALIKE[:20], 2680),  # too few to tell
        ([20 * 1.1**k for k in range(60)], 20 * 1.1**30 * 10),  # the class itself is as wide
        ([*ALIKE, *(v * 10 for v in ALIKE[:6])], 2680),  # others do so too
    ],
)
def test_a_meter_that_its_class_explains_is_not(
    tmp_path: Path, others: list[float], suspect: float
) -> None:
    assert against_class(tmp_path, others, suspect) == []


def two_exports(folder: Path, shift_h: int) -> Utility:
    utility = Utility(folder, {})
    utility.more = {
        "exports": [
            {"name": "one", "path": "exports/one*"},
            {"name": "two", "path": "exports/two*"},
        ]
    }
    volumes = [(day * 7 + hour * 5) % 13 for day in range(1, 4) for hour in range(1, 21)]
    for name, moved in (("one", 0), ("two", shift_h)):
        lines = [
            f"M1,2025-06-{1 + k // 20:02d} {1 + k % 20 + moved:02d}:00,{v},A\n"
            for k, v in enumerate(volumes)
        ]
        utility.write(f"{name}.csv", HEADER + "".join(lines))
    utility.land()
    return utility


@pytest.mark.parametrize(("shift_h", "shift_min"), [(1, 60.0), (-1, -60.0)])
def test_a_clock_off_by_one_interval_is_found(
    tmp_path: Path, shift_h: int, shift_min: float
) -> None:
    utility = two_exports(tmp_path, shift_h)
    meters = load_meters(utility.folder / "meters.csv", {})
    told = read_findings(utility.workspace, [], meters, stuck_files=[], units="us")
    assert [(f.account_id, f.code, f.evidence["shift_min"]) for f in told] == [
        ("A-1", "clock_shift", shift_min)
    ]


def test_two_exports_that_agree_are_no_finding(tmp_path: Path) -> None:
    utility = two_exports(tmp_path, 0)
    meters = load_meters(utility.folder / "meters.csv", {})
    assert read_findings(utility.workspace, [], meters, stuck_files=[], units="us") == ()
