"""A logger's file: every row is a sample, a missed sample, or rejected by a rule."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.configuration.load_settings import FlowLogSettings
from pipelines.sources.flow_log_file import read_flow_log
from pipelines.sources.flow_log_keys import KEYS
from rightsize.errors import ConfigError
from rightsize.findings import LOG_REFUSALS
from rightsize.units import L_PER_GAL

PAGE = Path(__file__).parents[3] / "rightsize" / "handbook" / "logs_come_back.md"
EARLIEST, LATEST = dt.datetime(1995, 1, 1), dt.datetime(2030, 1, 1)


def read(path, text, **written):
    path.write_text(text)
    return read_flow_log(
        path, FlowLogSettings(path="x", **written), zone="America/Denver",
        earliest_at=EARLIEST, latest_at=LATEST, max_flow_gpm=30_000.0,
    )  # fmt: skip


PULSES = """# meter_id: M1
# pulse_gal: 10
at,pulses
2025-03-12 08:00:10,3
2025-03-12 08:00:20,
2025-03-12 08:00:30,0
"""


def test_pulses_times_their_size_stamped_at_the_end_of_a_sample(tmp_path):
    log = read(tmp_path / "a.csv", PULSES)
    assert (log.meter_id, log.measures, log.step_s, log.pulse_gal) == ("M1", "meter", 10, 10)
    assert log.samples["volume_gal"].to_list() == [30.0, None, 0.0]
    assert log.samples["start_at"][0] == dt.datetime(2025, 3, 12, 14, 0, 0)  # HAND: MDT
    assert log.samples["source_line"].to_list() == [4, 5, 6]


def test_flow_in_liters_a_minute_from_a_sensor_of_its_own(tmp_path):
    text = (
        "# account_id: A-1\nTime;Q\n2025-03-12T08:00:00Z;37.85411784\n2025-03-12T08:01:00Z;0\n"
    )
    log = read(tmp_path / "a.csv", text, columns={"at": "Time", "flow": "Q"}, flow_unit="L/min")
    assert (log.account_id, log.measures, log.step_s) == ("A-1", "pipe", 60)
    assert log.samples["volume_gal"][0] == pytest.approx(10.0)  # HAND: 10 gpm for a minute


def test_a_pulse_of_liters(tmp_path):
    log = read(
        tmp_path / "a.csv", PULSES.replace("pulse_gal: 10", f"pulse_l: {10 * L_PER_GAL}")
    )
    assert log.samples["volume_gal"][0] == pytest.approx(30.0)


RULES = {
    "2025-03-12 08:00:10,3,9": "line_unreadable",
    "2025-03-12 08:00:10": "line_unreadable",
    ",3": "time_missing",
    "yesterday,3": "time_unreadable",
    "2025-03-09 02:30:10,3": "time_nonexistent",
    "1970-01-01 00:00:10,3": "time_implausible",
    "2041-01-01 00:00:10,3": "time_implausible",
    "2025-03-12 08:00:10,many": "volume_unreadable",
    "2025-03-12 08:00:10,inf": "volume_not_finite",
    "2025-03-12 08:00:10,-1": "volume_negative",
    "2025-03-12 08:00:10,501": "volume_implausible",  # HAND: 5,010 gal in 10 s, 5,000 at most
    "2025-03-12 08:00:32,3": "time_repeated",
    "2025-03-12 08:00:10,3\x00": "line_nul_bytes",
    "2025-03-12 08:00:10,500": None,
    "2025-03-12 08:00:38,3": None,
    "2025-03-12 08:00:10,3": None,
}


@pytest.mark.parametrize("row", RULES)
def test_each_rule_of_a_row(tmp_path, row):
    text = "# meter_id: M1\n# pulse_gal: 10\n# step_s: 10\nat,pulses\n2025-03-12 08:00:30,1\n"
    log = read(tmp_path / "a.csv", f"{text}{row}\n")
    assert log.rows == 2
    assert log.rejected["rule"].to_list() == ([RULES[row]] if RULES[row] else [])
    assert log.rejected["source_line"].to_list() == ([6] if RULES[row] else [])


def test_a_line_in_another_encoding_is_rejected_alone(tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(PULSES.encode() + b"2025-03-12 08:00:40,\xff\n")
    log = read_flow_log(
        path, FlowLogSettings(path="x"), zone="UTC", earliest_at=EARLIEST, latest_at=LATEST,
        max_flow_gpm=30_000.0,
    )  # fmt: skip
    assert log.rejected["rule"].to_list() == ["line_encoding"]
    assert log.samples.height == 3


def test_an_hour_that_exists_twice_follows_the_order_of_rows(tmp_path):
    times = ["01:59:50", "01:00:00", "01:00:10"]  # the clock went back between them
    rows = "\n".join(f"2025-11-02 {t},1" for t in times)
    text = f"# meter_id: M1\n# pulse_gal: 1\n# step_s: 10\nat,pulses\n{rows}\n"
    log = read(tmp_path / "a.csv", text)
    assert (
        log.samples["start_at"].diff().drop_nulls().to_list() == [dt.timedelta(seconds=10)] * 2
    )


def test_a_clock_that_gains_is_put_right(tmp_path):
    text = "# meter_id: M1\n# pulse_gal: 1\n# step_s: 60\n# drift_s_per_day: 30\nat,pulses\n"
    text += "2025-03-12 08:01:00,1\n2025-03-13 08:01:30,1\n"
    log = read(tmp_path / "a.csv", text)
    gap = log.samples["start_at"][1] - log.samples["start_at"][0]
    assert gap == pytest.approx(dt.timedelta(days=1), abs=dt.timedelta(milliseconds=1))


def test_no_times_but_a_start(tmp_path):
    text = "# meter_id: M1\n# pulse_gal: 1\n# step_s: 30\n# start_at: 2025-03-12 08:00\n"
    log = read(tmp_path / "a.csv", f"{text}pulses\n1\n2\n")
    assert log.samples["start_at"].to_list() == [
        dt.datetime(2025, 3, 12, 14), dt.datetime(2025, 3, 12, 14, 0, 30)
    ]  # fmt: skip


def test_parquet_says_the_same(tmp_path):
    path = tmp_path / "a.parquet"
    frame = pl.DataFrame(
        {
            "at": [dt.datetime(2025, 3, 12, 8, 0, 10), dt.datetime(2025, 3, 12, 8, 0, 20)],
            "pulses": [3, None],
        }
    )
    frame.write_parquet(path, metadata={"meter_id": "M1", "pulse_gal": "10"})
    log = read_flow_log(
        path, FlowLogSettings(path="x"), zone="America/Denver", earliest_at=EARLIEST,
        latest_at=LATEST, max_flow_gpm=30_000.0,
    )  # fmt: skip
    assert log.samples["volume_gal"].to_list() == [30.0, None]
    assert log.samples["start_at"][0] == dt.datetime(2025, 3, 12, 14)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("at,pulses\n2025-03-12 08:00:10,3\n", "names no meter"),
        ("# meter_id: M1\nat,pulses\n2025-03-12 08:00:10,3\n", "pulses need a size"),
        ("# meter_id: M1\nat,what\n2025-03-12 08:00:10,3\n", "one of the columns"),
        ("# meter_id: M1\n# pulse_gal: 0\nat,pulses\n", "pulse_gal: must be a number"),
        ("# meter_id: M1\n# pulse_gal: 1\n# pulse_l: 1\nat,pulses\n", "both given"),
        ("# meter_id: M1\npulses\n1\n", "pulses need a size"),
        ("# meter_id: M1\n# pulse_gal: 1\npulses\n1\n", "no column at"),
        ("# meter_id: M1\n# pulse_gal: 1\nat,pulses\nx,1\n", "write `# step_s"),
        ("# meter_id: M1\nat,flow\n2025-03-12 08:00,1\n2025-03-12 08:05,1\n", "of 300 s"),
        ("# meter_id: M1\n# timezone: Mars\nat,flow\n2025-03-12 08:00:10,1\n", "timezone"),
        ("# meter_id: M1\n# measures: both\n# step_s: 10\nat,flow\n2025-03-12 08:00:10,1\n",
         "measures: must be"),
        ("# only keys\n", "no line with columns"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_one_clear_line(tmp_path, text, match):
    with pytest.raises(ConfigError, match=match) as raised:
        read(tmp_path / "a.csv", text)
    assert "a.csv" in str(raised.value)


_CELL = st.one_of(
    st.floats(-5, 2000, allow_nan=False).map(lambda v: f"{v:.3f}"),
    st.sampled_from(["", "x", "inf", "nan", "1,2"]),
)
_TIME = st.one_of(
    st.integers(0, 400).map(
        lambda k: (dt.datetime(2025, 3, 9, 1) + dt.timedelta(seconds=7 * k)).isoformat()
    ),
    st.sampled_from(["", "soon", "1969-01-01 00:00"]),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(_TIME, _CELL), max_size=40))
def test_rows_and_volume_are_accepted_or_rejected_and_never_lost(rows):
    """Law: rows = samples + rejected, and every volume that can be read is in one of them."""
    lines = "\n".join(f"{at},{value}" for at, value in rows)
    with tempfile.TemporaryDirectory() as folder:
        log = read(
            Path(folder) / "a.csv",
            f"# meter_id: M1\n# pulse_gal: 0.5\n# step_s: 10\nat,pulses\n{lines}\n",
        )
    assert log.rows == len(rows)
    assert log.samples.height + log.rejected.height == len(rows)
    assert log.rejected["rule"].null_count() == 0
    told = sorted([*log.samples["source_line"], *log.rejected["source_line"]])
    assert told == list(range(5, 5 + len(rows)))
    readable = [float(v) / 2 for _, v in rows if _is_number(v)]
    kept = log.samples["volume_gal"].sum() + log.rejected["amount_gal"].sum()
    assert kept == pytest.approx(sum(readable), abs=1e-9)


def _is_number(text):
    return text not in ("", "x", "inf", "nan", "1,2")


def test_the_page_lists_every_key_and_every_rule():
    text = PAGE.read_text(encoding="utf-8")
    for key, meaning in KEYS.items():
        assert f"| `{key}` | {meaning} |" in text
    for rule, cure in LOG_REFUSALS.items():
        assert any(
            line.startswith(f"| {rule} |") and line.endswith(f"| {cure} |")
            for line in text.splitlines()
        )


@pytest.mark.parametrize(
    ("time_format", "row"),
    [
        ("%d/%m/%Y %H:%M:%S", "12/03/2025 08:00:{s}"),
        ("%Y%m%d%H%M%S%z", "202503120800{s}-0600"),
        ("%Y-%m-%dT%H:%M:%S%:z", "2025-03-12T14:00:{s}+00:00"),
    ],
)
def test_times_of_a_format_of_their_own(tmp_path, time_format, row):
    """HAND: 08:00 in Denver on 2025-03-12 is 14:00 UTC; an offset in the format counts."""
    rows = "".join(f"{row.format(s=s)},1\n" for s in ("10", "20", "30"))
    text = f"# meter_id: M1\n# pulse_gal: 1\nat,pulses\n{rows}"
    log = read(tmp_path / "a.csv", text, time_format=time_format)
    assert log.samples["start_at"].to_list() == [
        dt.datetime(2025, 3, 12, 14, 0, s) for s in (0, 10, 20)
    ]
