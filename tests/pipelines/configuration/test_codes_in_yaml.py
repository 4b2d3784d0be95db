"""Codes of a utility that YAML takes for something else are understood, or told in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.configuration.load_settings import SweepSettings, read_model
from rightsize.errors import ConfigError

BASE = "utility: U\nexports: [{name: a, path: b}]\n"


def settings_of(folder: Path, text: str | bytes) -> SweepSettings:
    path = folder / "sweep.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_model(path, SweepSettings)


@pytest.mark.parametrize(
    "code", ["OFF", "NO", "yes", "true", "1", "010", "0x1F", "12:30", "null", "~", "'1'", "COM"]
)
def test_a_code_is_what_is_written(tmp_path: Path, code: str) -> None:
    read = settings_of(tmp_path, f"{BASE}class_codes: {{{code}: office}}\n")
    assert read.class_codes == {code.strip("'"): "office"}


@given(code=st.from_regex(r"\A[A-Za-z0-9]{1,5}\Z"))
def test_codes_of_letters_and_digits_are_what_is_written(
    tmp_path_factory: pytest.TempPathFactory, code: str
) -> None:
    folder = tmp_path_factory.mktemp("codes")
    read = settings_of(folder, f"{BASE}class_codes:\n  {code}: office\n")
    assert read.class_codes == {code: "office"}


def test_a_value_that_is_no_text_is_told_to_be_quoted(tmp_path: Path) -> None:
    text = "utility: U\nexports: [{name: a, path: b, columns: {volume: 1}}]\n"
    with pytest.raises(ConfigError, match=r"columns.volume: .*got 1; YAML .* quote it"):
        settings_of(tmp_path, text)


def test_an_encoding_that_is_not_ours_names_the_line(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"line 1: not text in utf-8 .* save the file as UTF"):
        settings_of(tmp_path, "utility: Cañón\n".encode("cp1252"))
