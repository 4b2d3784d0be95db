"""Which read is current depends on the files and their order, never on when they were read."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.stages.profile.profile import profile
from tests.pipelines.exports import HEADER, METERS, Utility, hourly, rows

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}


@pytest.fixture
def utility(tmp_path: Path) -> Utility:
    return Utility(tmp_path, dict(INTERVAL))


def volumes(utility: Utility) -> dict[str, float]:
    """Volume of the current reads of each meter, as the profiles tell it."""
    folders = profile(utility.workspace, timezone=utility.timezone).folders
    files = [str(f / "month_stat.parquet") for f in folders]
    return {
        r["meter_id"]: r["gal"]
        for r in rows(
            "select meter_id, sum(registered_gal) as gal from read_parquet(?) group by all",
            [files],
        )
    }


def set_multiplier(utility: Utility, meter_id: str, multiplier: float) -> None:
    path = utility.folder / "meters.csv"
    lines = [line.split(",") for line in path.read_text().splitlines()]
    path.write_text(
        "".join(
            ",".join([*c[:5], f"{multiplier:g}", *c[6:]] if c[1] == meter_id else c) + "\n"
            for c in lines
        )
    )


def test_mending_one_multiplier_moves_no_other_meter(utility: Utility) -> None:
    utility.write(
        "he-06.csv", HEADER + hourly("M1", "2025-06-01", [1]) + hourly("M2", "2025-06-01", [4])
    )
    utility.write("he-06-corrected.csv", HEADER + hourly("M2", "2025-06-01", [5]))
    utility.land()
    assert volumes(utility) == {"M1": 1.0, "M2": 5.0}
    set_multiplier(utility, "M1", 10)
    assert [f.path.name for f in utility.land().files] == ["he-06.csv"]
    assert volumes(utility) == {"M1": 10.0, "M2": 5.0}


def test_a_changed_unit_keeps_the_places(utility: Utility) -> None:
    """Both are read again, and one of them alone where the other is an export of its own."""
    utility.more = {
        "exports": [
            {"name": "main", "path": "exports/he*", **INTERVAL},
            {"name": "corrections", "path": "exports/corr*", **INTERVAL},
        ]
    }
    utility.write("he-06.csv", HEADER + hourly("M2", "2025-06-01", [4]))
    utility.write("corr-06.csv", HEADER + hourly("M2", "2025-06-01", [5]))
    utility.land()
    utility.more["exports"][0]["unit"] = "kgal"
    assert [f.path.name for f in utility.land().files] == ["he-06.csv"]
    assert volumes(utility) == {"M2": 5.0}


def test_an_export_that_is_renamed_and_read_otherwise_tells_no_water_twice(
    utility: Utility,
) -> None:
    utility.write("he-06.csv", HEADER + hourly("M2", "2025-06-01", [4, 4]))
    utility.land()
    utility.more = {
        "exports": [{"name": "other", "path": "exports/*", **INTERVAL, "stamp": "start"}]
    }
    utility.land()
    assert volumes(utility) == {"M2": 8.0}
    assert len(utility.lake()) == 2


def test_a_file_that_could_not_be_read_lands_in_the_place_it_was_found_at(
    utility: Utility,
) -> None:
    broken = utility.write("he-06.csv", "nothing of ours\n1\n")
    utility.write("he-06-corrected.csv", HEADER + hourly("M2", "2025-06-01", [5]))
    assert [p.path for p in utility.land().problems] == [broken]
    utility.write("he-06.csv", HEADER + hourly("M2", "2025-06-01", [4]))
    utility.land()
    assert volumes(utility) == {"M2": 5.0}


def test_a_file_that_broke_off_is_replaced_by_its_whole_self(utility: Utility) -> None:
    text = HEADER + "".join(hourly("M2", f"2025-06-{d:02d}", range(24)) for d in range(1, 29))
    whole = utility.write("he-06.csv.gz", text).read_bytes()
    utility.write("he-06.csv.gz", "").write_bytes(whole[: len(whole) * 2 // 3])
    utility.write("he-06b-corrected.csv", HEADER + hourly("M2", "2025-06-01", [1000]))
    assert utility.land().unread
    (utility.folder / "exports" / "he-06.csv.gz").write_bytes(whole)
    assert not utility.land().unread
    assert volumes(utility) == {"M2": 28 * 276 + 1000.0}
    assert len(utility.ledger("from ledger.landed_file")) == 2


READ = st.tuples(
    st.sampled_from(["M1", "M2"]), st.integers(1, 4), st.integers(0, 99), st.sampled_from("AE")
)
FILES = st.lists(st.lists(READ, min_size=1, max_size=5), min_size=2, max_size=4)


def written(utility: Utility, files: list[list[tuple[str, int, int, str]]]) -> None:
    for place, reads in enumerate(files):
        lines = [f"{m},2025-06-01 {h:02d}:00,{v},{q}\n" for m, h, v, q in reads]
        utility.write(
            f"f{place}.csv", f"{HEADER}" + "".join(lines) + f"M4,2025-06-02 0{place}:00,1,A\n"
        )


@pytest.mark.heavy_ci
@pytest.mark.heavy
@settings(max_examples=12, deadline=None)
@given(
    files=FILES,
    mends=st.lists(
        st.tuples(st.sampled_from(["M1", "M2"]), st.sampled_from([1, 10, 100])), max_size=3
    ),
)
def test_the_way_to_a_meter_list_does_not_matter(
    files: list[list[tuple[str, int, int, str]]], mends: list[tuple[str, int]]
) -> None:
    """Law: any row of mended multipliers ends where a fresh landing of the last list ends."""
    with tempfile.TemporaryDirectory() as folder:
        tried, fresh = (Utility(Path(folder) / n, dict(INTERVAL)) for n in ("tried", "fresh"))
        for one in (tried, fresh):
            written(one, files)
        tried.land()
        for meter_id, multiplier in mends:
            for one in (tried, fresh):
                set_multiplier(one, meter_id, multiplier)
            tried.land()
        fresh.land()
        assert volumes(tried) == volumes(fresh)


def test_the_list_of_the_tests_has_what_they_mend() -> None:
    assert {"M1", "M2"} <= {line.split(",")[1] for line in METERS.splitlines()}
