"""Landing: whole files, once, balanced, in UTC and gallons."""

from __future__ import annotations

import errno
import os
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from pipelines.stages.land import lake_parts, land_file
from pipelines.store import ledger
from pipelines.store.lake_partition import LakePartition
from rightsize.errors import ConfigError
from tests.pipelines.exports import HEADER, Utility, hourly

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}


@pytest.fixture
def utility(tmp_path: Path) -> Utility:
    return Utility(tmp_path, dict(INTERVAL))


def test_reads_land_in_utc_and_gallons_with_their_line(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", [5, 7]))
    summary = utility.land()
    first, second = utility.lake()
    # Denver is UTC-6 in June; the read stamped 01:00 covers the hour from midnight
    assert first["start_at"] == datetime(2025, 6, 1, 6)
    assert (first["registered_gal"], second["registered_gal"]) == (5.0, 7.0)
    assert (first["source_line"], second["source_line"]) == (2, 3)
    assert summary.rows_landed == summary.rows_accepted == 2
    assert summary.touched == {LakePartition("interval", "2025-06", 1)}


@pytest.mark.parametrize(
    ("unit", "volume", "gal"),
    [  # NIST Handbook 44 App. C: 231 in3 a gallon (definition, MEM-H); HAND
        ("kgal", "0.25", 250.0),
        ("ft3", "1", 1728 / 231),
        ("ccf", "1", 100 * 1728 / 231),
        ("L", "3.785411784", 1.0),
        ("m3", "3.785411784", 1000.0),
    ],
)
def test_every_unit_becomes_gallons(
    utility: Utility, unit: str, volume: str, gal: float
) -> None:
    utility.export["unit"] = unit
    utility.write("reads.csv", HEADER + f"M1,2025-06-01 01:00,{volume},A\n")
    utility.land()
    assert utility.lake()[0]["registered_gal"] == pytest.approx(gal, rel=1e-12)


def test_multiplier_of_the_meter_scales_its_volume(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + "M3,2025-06-01 01:00,4,A\n")
    utility.land()
    assert utility.lake()[0]["registered_gal"] == 40.0


def test_quarter_hours_start_a_quarter_before_their_stamp(utility: Utility) -> None:
    utility.export["interval_min"] = 15
    utility.write("reads.csv.gz", HEADER + "M1,2025-06-01 00:15,15,A\n")
    utility.land()
    read = utility.lake()[0]
    assert read["start_at"] == datetime(2025, 6, 1, 6)
    # check-values section 0: a 15-min read of 15 gal is a mean of 1 gpm (CALC)
    assert read["registered_gal"] / read["interval_min"] == 1.0


def test_stamps_at_the_start_are_taken_as_the_start(utility: Utility) -> None:
    utility.export["stamp"] = "start"
    utility.write("reads.csv", HEADER + "M1,2025-06-01 01:00,4,A\n")
    utility.land()
    assert utility.lake()[0]["start_at"] == datetime(2025, 6, 1, 7)


def test_register_readings_land_as_readings(utility: Utility) -> None:
    utility.export = {"layout": "register", "unit": "ccf"}
    utility.write("reads.csv", "meter_id,read_at,reading\nM4,2025-06-01 00:00,12\n")
    utility.land()
    read = utility.lake("register")[0]
    assert read["read_at"] == datetime(2025, 6, 1, 6)
    assert read["reading_gal"] == pytest.approx(12 * 100 * 1728 / 231)
    assert read["dial_limit_gal"] == pytest.approx(1e6 * 100 * 1728 / 231)
    assert utility.lake("interval") == []


def test_refused_rows_keep_file_line_rule_and_value(utility: Utility) -> None:
    path = utility.write(
        "reads.csv",
        HEADER + "M1,2025-06-01 01:00,1,A\nM1,2025-06-01 25:00,2,A\nM1,2025-06-01 03:00,x,A\n",
    )
    summary = utility.land()
    assert [(r["source_line"], r["rule"], r["value"]) for r in utility.rejected()] == [
        (3, "time_unreadable", "2025-06-01 25:00"),
        (4, "volume_unreadable", "x"),
    ]
    assert {r["source_file"] for r in utility.rejected()} == {str(path)}
    assert (summary.rows_landed, summary.rows_accepted, summary.rows_rejected) == (3, 1, 2)
    assert summary.files[0].gal_landed == 3.0  # what could be read as a number, by volume too
    assert summary.files[0].gal_accepted + summary.files[0].gal_rejected == 3.0


def test_line_numbers_hold_behind_a_line_that_cannot_be_split(utility: Utility) -> None:
    utility.write(
        "reads.csv",
        HEADER + "M1,2025-06-01 01:00,1,A\nbroken\nM1,2025-06-01 02:00,2,A\n"
        "M1,2025-06-01 03:00,y,A\n",
    )
    utility.land()
    assert [r["source_line"] for r in utility.lake()] == [2, 4]
    assert [(r["source_line"], r["rule"]) for r in utility.rejected()] == [
        (3, "line_unreadable"),
        (5, "volume_unreadable"),
    ]


def test_landing_again_does_nothing(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.land()
    again = utility.land()
    assert (again.files, again.known_files, again.touched) == ((), 1, frozenset())
    assert len(utility.lake()) == 3


def test_the_same_content_under_another_name_does_nothing(utility: Utility) -> None:
    text = HEADER + hourly("M1", "2025-06-01", range(3))
    utility.write("reads.csv", text)
    utility.land()
    utility.write("copy-of-reads.csv", text)
    assert utility.land().files == ()
    assert len(utility.lake()) == 3


def test_known_files_are_not_read_again(
    utility: Utility, monkeypatch: pytest.MonkeyPatch
) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.land()

    def forbidden(path: Path) -> tuple[str, int]:
        raise AssertionError(f"{path} was hashed again")

    monkeypatch.setattr("pipelines.stages.land.file_identity.content_hash", forbidden)
    assert utility.land().known_files == 1


def test_a_file_changed_at_the_same_size_and_time_is_read_again(utility: Utility) -> None:
    path = utility.write("reads.csv", HEADER + "M1,2025-06-01 01:00,4,A\n")
    utility.land()
    before = path.stat()
    path.write_text(HEADER + "M1,2025-06-01 01:00,5,A\n")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (
        before.st_size,
        before.st_mtime_ns,
    )
    assert utility.land().rows_accepted == 1
    assert [r["registered_gal"] for r in utility.lake()] == [4.0, 5.0]


def test_a_changed_unit_reads_the_file_again_in_place_of_the_former(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + "M1,2025-06-01 01:00,4,A\n")
    utility.land()
    utility.export["unit"] = "kgal"
    utility.land()
    assert [r["registered_gal"] for r in utility.lake()] == [4000.0]
    assert len(utility.ledger("from ledger.landed_file")) == 1


def test_a_correction_lands_behind_what_it_corrects(utility: Utility) -> None:
    """`reads-06-corrected.csv` sorts before `reads-06.csv` by bytes, but corrects it."""
    utility.write("reads-06.csv", HEADER + "M1,2025-06-01 01:00,4,A\n")
    utility.write("reads-06-corrected.csv", HEADER + "M1,2025-06-01 01:00,5,A\n")
    utility.land()
    assert [r["registered_gal"] for r in utility.lake()] == [4.0, 5.0]  # in order of landing


@pytest.mark.parametrize("fails_in", ["move_in", "record"])
def test_a_crash_leaves_nothing_half_landed(
    utility: Utility, monkeypatch: pytest.MonkeyPatch, fails_in: str
) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))

    def crash(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        if fails_in == "record":
            patch.setattr(ledger, "record_landing", crash)
        else:
            patch.setattr("pipelines.stages.land.land.move_in", crash)
        patch.setattr("pipelines.stages.land.land.shutil.rmtree", lambda *_, **__: None)
        patch.setattr(Path, "mkdir", _mkdir_anyway)
        with pytest.raises(KeyboardInterrupt):
            utility.land()
    assert utility.ledger("from ledger.landed_file") == []
    summary = utility.land()
    assert summary.rows_accepted == 3
    assert [r["registered_gal"] for r in utility.lake()] == [0.0, 1.0, 2.0]
    assert list(lake_parts.landing_folder(utility.workspace).iterdir()) == []


_MKDIR = Path.mkdir


def _mkdir_anyway(
    self: Path, mode: int = 0o777, parents: bool = False, exist_ok: bool = False
) -> None:
    _MKDIR(self, mode, parents, exist_ok=True)


def test_orphans_of_a_crash_are_taken_back(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.land()
    landed = next(utility.workspace.root.glob("lake/*/*/*/*.parquet"))
    orphan = landed.with_name("0123.parquet")
    orphan.write_bytes(landed.read_bytes())
    (lake_parts.landing_folder(utility.workspace) / "0123").mkdir(parents=True)
    utility.land()
    assert not orphan.exists()
    assert landed.exists()


def test_a_landing_that_cannot_be_moved_in_whole_is_taken_back_and_told(
    utility: Utility, monkeypatch: pytest.MonkeyPatch
) -> None:
    utility.write(
        "reads.csv",
        HEADER + "".join(hourly("M1", f"2025-0{k}-01", range(3)) for k in range(1, 10)),
    )
    replace, moved = os.replace, []

    def full(source: Path, target: Path) -> None:
        if "lake" in target.parts:
            moved.append(target)
            if len(moved) > 2:
                raise OSError(errno.ENOSPC, "no space left on device")
        replace(source, target)

    with monkeypatch.context() as patch:
        patch.setattr("pipelines.store.storage.os.replace", full)
        (problem,) = utility.land().problems
    assert "no space left" in problem.message
    assert len(moved) > 2
    assert utility.lake() == []
    assert utility.land().rows_accepted == 27


def test_a_file_that_grows_while_it_is_read_is_left_for_later(
    utility: Utility, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    true_landing = land_file.land_file

    def grow(*args: object) -> object:
        outcome = true_landing(*args)  # type: ignore[arg-type]
        with path.open("a") as handle:
            handle.write("M1,2025-06-01 09:00,1,A\n")
        return outcome

    with monkeypatch.context() as patch:
        patch.setattr("pipelines.stages.land.land.land_file", grow)
        summary = utility.land()
    assert [p.code for p in summary.problems] == ["file_growing"]
    assert utility.lake() == []
    assert utility.land().rows_accepted == 4


def test_no_file_at_all_is_a_configuration_error(utility: Utility) -> None:
    with pytest.raises(ConfigError, match=r"export 'main': no file matches .*exports/\*"):
        utility.land()


def test_a_missing_column_names_what_the_file_has(utility: Utility) -> None:
    utility.write("reads.csv", "meter_id,interval_end,litres\nM1,2025-06-01 01:00,4\n")
    with pytest.raises(ConfigError, match=r"no column for volume .* the file has: meter_id"):
        utility.land()


def test_one_file_with_other_columns_does_not_hold_up_the_rest(utility: Utility) -> None:
    utility.write("a.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.write("b.csv", "what,is,this\n1,2,3\n")
    summary = utility.land()
    assert summary.rows_accepted == 3
    assert [p.code for p in summary.problems] == ["file_columns"]
    assert len(utility.ledger("from ledger.file_problem")) == 1


def test_bucket_count_is_fixed_by_the_first_landing(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.land()
    utility.more = {"buckets": 8}
    with pytest.raises(ConfigError, match="got 8, but the workspace was created with 2"):
        utility.land()


@pytest.mark.parametrize(
    ("meters", "buckets"), [(1, 2), (999, 2), (1000, 4), (16_000, 4), (16_001, 8), (10**6, 64)]
)
def test_a_larger_fleet_has_more_buckets(meters: int, buckets: int) -> None:
    with duckdb.connect() as work:
        ledger.prepare(work)
        assert ledger.bucket_count(work, None, meters) == buckets
        assert ledger.bucket_count(work, None, 5000) == buckets  # fixed by the first landing


def test_a_folder_stands_for_all_its_files_but_not_for_unfinished_ones(
    utility: Utility,
) -> None:
    utility.export["path"] = "exports"
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    utility.write("reads.csv.part", HEADER + "M1,")
    assert utility.land().rows_landed == 3


def test_a_link_in_a_circle_is_told_and_passed(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    os.symlink(utility.folder / "exports" / "loop.csv", utility.folder / "exports" / "loop.csv")
    summary = utility.land()
    assert summary.rows_accepted == 3
    assert "symbolic links" in summary.problems[0].message


def test_codes_of_no_known_quality_are_held_as_questionable_and_told(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + "M1,2025-06-01 01:00,1,Z7\nM1,2025-06-01 02:00,1,E\n")
    note = utility.land().files[0].note
    assert note is not None
    assert "reads with unknown quality codes: 1 ('Z7')" in note
    assert [r["quality"] for r in utility.lake()] == ["questionable", "estimated"]
    utility.export["quality_codes"] = {"Z7": "edited"}
    utility.land()
    assert [r["quality"] for r in utility.lake()] == ["edited", "estimated"]


def test_a_blank_volume_is_missing_not_nothing(utility: Utility) -> None:
    utility.write("reads.csv", HEADER + "M1,2025-06-01 01:00,,A\n")
    utility.land()
    read = utility.lake()[0]
    assert (read["registered_gal"], read["quality"]) == (None, "missing")


def test_a_multiplier_put_right_reaches_the_reads_landed_before(utility: Utility) -> None:
    utility.write("a.csv", HEADER + hourly("M1", "2025-06-01", [1, 2]))
    utility.write("b.csv", HEADER + hourly("M2", "2025-06-01", [3]))
    utility.land()
    before = {r["meter_id"]: r["file_hash"] for r in utility.lake()}
    meters = utility.folder / "meters.csv"
    meters.write_text(
        meters.read_text().replace(
            "A-1,M1,displacement,1,office,,", "A-1,M1,displacement,1,office,10,"
        )
    )
    summary = utility.land()
    assert [f.path.name for f in summary.files] == ["a.csv"]  # only what the meter is in
    assert [(r["meter_id"], r["registered_gal"]) for r in utility.lake()] == [
        ("M1", 10.0), ("M1", 20.0), ("M2", 3.0),
    ]  # fmt: skip
    after = {r["meter_id"]: r["file_hash"] for r in utility.lake()}
    assert after["M1"] != before["M1"]  # so that its profiles are made anew
    assert after["M2"] == before["M2"]
    assert utility.land().files == ()


def test_a_new_meter_with_a_multiplier_reads_nothing_again(utility: Utility) -> None:
    utility.write("a.csv", HEADER + hourly("M1", "2025-06-01", [1, 2]))
    utility.land()
    meters = utility.folder / "meters.csv"
    meters.write_text(meters.read_text() + "A-9,M9,turbine,4,process,100,\n")
    assert utility.land().files == ()


@pytest.mark.parametrize(("text", "told"), [("-5", "-5"), ("-5.50", "-5.5")])
def test_a_refused_amount_is_told_without_idle_digits(
    utility: Utility, text: str, told: str
) -> None:
    utility.write("reads.csv", f"{HEADER}M1,2025-06-01 01:00,{text},A\n")
    utility.land()
    assert [r["value"] for r in utility.rejected()] == [told]
