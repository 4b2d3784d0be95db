"""What a configuration names: time zones, encodings, delimiters; known or refused."""

from __future__ import annotations

import codecs
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_MOST_SHOWN: Final = 80  # characters of a name in a message
_NOT_ZONES: Final = frozenset({"Factory", "localtime", "posixrules"})
"""In the database of zones, but of this machine or of none: the utility's must be its own."""
_NOT_ENCODINGS: Final = frozenset(
    {"idna", "punycode", "undefined", "unicode_escape", "raw_unicode_escape", "mbcs", "oem"}
)
"""Codecs of Python that no export is written in: of names in networks, of source text."""


def known_zone(name: str) -> str:
    """The zone's name, if the time zone database has it."""
    try:
        if name in _NOT_ZONES or name.startswith(("posix/", "right/")):
            raise ValueError(name)
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f"unknown time zone {_cut(name)!r}; use a name such as America/Denver"
        ) from None
    return name


def known_encoding(name: str) -> str:
    """The encoding's name, if text can be written in it."""
    try:
        codec = codecs.lookup(name).name
        is_text = (
            "a".encode(name).decode(name) == "a"
            and codec.replace("-", "_") not in _NOT_ENCODINGS
        )
    except (LookupError, ValueError, UnicodeError):
        is_text = False
    if not is_text:
        raise ValueError(
            f"unknown encoding {_cut(name)!r}; use a name such as utf-8 or windows-1252"
        )
    return name


def one_delimiter(text: str) -> str:
    """The delimiter, if a line can be parted by it."""
    if (
        len(text) != 1
        or text.isalnum()
        or text in '"\r\n'
        or not (text == "\t" or text.isprintable())
    ):
        raise ValueError(
            f"delimiter must be one character between the fields, such as ; or a tab; "
            f"got {_cut(text)!r}"
        )
    return text


def _cut(text: str) -> str:
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}..."
