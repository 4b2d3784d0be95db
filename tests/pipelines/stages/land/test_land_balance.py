"""Laws of landing: rows and volume balance, order and splitting change nothing."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.pipelines.exports import HEADER, Utility

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

METERS = st.sampled_from(["M1", "M2", "M3", "M4", "", "X9", "M1 "])


def stamp(hour: int) -> str:
    """Some stamp of 2025, sometimes at 24:00."""
    return f"2025-{1 + hour % 12:02d}-{1 + hour % 28:02d} {hour % 25:02d}:00"


STAMPS = st.one_of(
    st.integers(0, 24 * 400).map(stamp),
    st.sampled_from(
        [
            "",
            "never",
            "1970-01-01 00:00",
            "2025-03-09 02:30",
            "1748739600",
            "2025-06-01T01:00:00-06:00",
        ]
    ),
)
VOLUMES = st.one_of(
    st.floats(-10, 1e6, allow_nan=False).map(lambda v: f"{v:.3f}"),
    st.sampled_from(["", "x", "1e309", "-5", "nan", "0", "1e12"]),
)
LINES = st.one_of(
    st.tuples(METERS, STAMPS, VOLUMES, st.sampled_from(["A", "E", "?", ""])).map(",".join),
    st.sampled_from(["broken", "a,b", HEADER.strip(), ",,,", "x,y,z,u,v", '"']),
)
QUICK = settings(
    deadline=None, max_examples=15, suppress_health_check=[HealthCheck.too_slow], database=None
)


def number(line: str) -> float:
    """The volume of a line that has one, gallons, multiplier applied."""
    parts = line.split(",")
    if len(parts) != 4 or line == HEADER.strip():
        return 0.0
    try:
        value = float(parts[2])
    except ValueError:
        return 0.0
    finite = value == value and abs(value) != float("inf")
    return (value if finite else 0.0) * (10 if parts[0].strip() == "M3" else 1)


def landed(files: dict[str, str]) -> Utility:
    utility = Utility(Path(tempfile.mkdtemp()), {"quality_codes": {"?": "questionable"}})
    for name, text in files.items():
        utility.write(name, text)
    utility.land()
    return utility


def reads(utility: Utility) -> list[tuple[object, ...]]:
    names = ("meter_id", "start_at", "registered_gal", "quality")
    return sorted((tuple(r[n] for n in names) for r in utility.lake()), key=repr)


@QUICK
@given(st.lists(LINES, min_size=1, max_size=40))
def test_every_row_and_every_gallon_is_accounted_for(lines: list[str]) -> None:
    """ANALYTIC: landed = accepted + rejected, and both are what lies in the files."""
    utility = landed({"r.csv": HEADER + "\n".join(lines) + "\n"})
    row = utility.ledger("from ledger.landed_file")[0]
    assert row["rows_landed"] == len(lines)
    assert row["rows_accepted"] == len(utility.lake())
    assert row["rows_rejected"] == len(utility.rejected())
    assert row["rows_landed"] == row["rows_accepted"] + row["rows_rejected"]
    lake_gal = sum(r["registered_gal"] or 0 for r in utility.lake())
    assert row["gal_accepted"] == pytest.approx(lake_gal)
    assert row["gal_accepted"] + row["gal_rejected"] == pytest.approx(row["gal_landed"])
    assert row["gal_landed"] == pytest.approx(sum(number(line) for line in lines), abs=1e-3)
    at_lines = [r["source_line"] for r in (*utility.lake(), *utility.rejected())]
    assert sorted(at_lines) == list(range(2, len(lines) + 2))


@QUICK
@given(st.lists(LINES, min_size=2, max_size=30), st.integers(1, 29))
def test_a_file_in_two_pieces_lands_the_same_reads(lines: list[str], cut: int) -> None:
    cut = min(cut, len(lines) - 1)
    head, tail = "\n".join(lines[:cut]), "\n".join(lines[cut:])
    whole = landed({"r.csv": f"{HEADER}{head}\n{tail}\n"})
    pieces = landed({"r1.csv": f"{HEADER}{head}\n", "r2.csv": f"{HEADER}{tail}\n"})
    assert reads(whole) == reads(pieces) or head == tail


@QUICK
@given(st.lists(LINES, min_size=1, max_size=30))
def test_packing_changes_nothing(lines: list[str]) -> None:
    text = HEADER + "\n".join(lines) + "\n"
    assert reads(landed({"r.csv": text})) == reads(landed({"r.csv.gz": text}))
