"""The weather file: months and days, and what is refused by file, line and column."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipelines.configuration.load_weather import load_weather
from rightsize.errors import ConfigError


def read(folder, text):
    (folder / "w.csv").write_text(text)
    return load_weather(folder / "w.csv")


def test_months_are_taken_as_they_stand_and_blank_is_unknown(tmp_path):
    got = read(tmp_path, "month,et_in,rain_in\n2024-07,8.4,\n2024-06,7.9,1.1\n")
    assert got.months.rows() == [("2024-06", 7.9, 1.1), ("2024-07", 8.4, None)]


def test_days_are_averaged_and_a_month_with_few_of_them_has_none(tmp_path):
    """HAND: the mean of 1 to 25 is 13."""
    days = [f"2024-06-{d:02d},{d}" for d in range(1, 26)]
    days += [f"2024-07-{d:02d},{d}" for d in range(1, 25)]
    got = read(tmp_path, "date,temperature_f\n" + "\n".join(days))
    assert got.months.rows() == [("2024-06", 13.0), ("2024-07", None)]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the first column must be month or date"),
        ("when,et\n2024-06,1\n", "the first column must be month or date"),
        ("month\n2024-06\n", "1 to 4 series are allowed; got 0"),
        ("month,a,b,c,d,e\n", "1 to 4 series are allowed; got 5"),
        ("month,et,et\n", "each column needs its own name"),
        ("month,et\n2024-06,1,2\n", "line 2: 3 columns, not 2"),
        ("month,et\n2024-6,1\n", "line 2: month: must be such as 2025-01; got '2024-6'"),
        ("month,et\n2024-13,1\n", "line 2: month: must be such as 2025-01"),
        ("date,et\n2024-06,1\n", "line 2: date: must be such as 2025-01-31; got '2024-06'"),
        ("month,et\n2024-06,warm\n", "line 2: et: must be a number; got 'warm'"),
        ("month,et\n2024-06,nan\n", "line 2: et: must be a number; got 'nan'"),
        ("month,et\n2024-06,1\n2024-06,2\n", "line 3: month 2024-06 is there twice"),
    ],
)
def test_a_wrong_file_is_refused_by_line_and_column(tmp_path, text, words):
    with pytest.raises(ConfigError, match=re.escape(words)):
        read(tmp_path, text)


def test_a_missing_file_is_one_clear_line(tmp_path):
    with pytest.raises(ConfigError, match="no such file"):
        load_weather(tmp_path / "none.csv")


def test_the_handbooks_example_is_read(tmp_path):
    page = Path(__file__).parents[3] / "rightsize" / "handbook" / "layouts.md"
    found = re.search(r"```csv weather\n(.*?)```", page.read_text(), re.DOTALL)
    assert found is not None
    got = read(tmp_path, found.group(1)).months
    assert got.columns == ["month", "reference_et_in", "rain_in"]
    assert got["month"].to_list() == ["2024-06", "2024-07", "2024-08"]
