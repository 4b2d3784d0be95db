"""Files of a configuration: a value or one clear message.

Codes used as keys of a YAML document stay as written; rows of a CSV file know their line.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from pathlib import Path
from typing import Any, Final

import yaml

from pipelines.store.delimited import whole_text
from pipelines.store.file_stamp import is_plain_file
from rightsize.errors import ConfigError

MOST_BYTES: Final = 1 << 25  # ours: a catalog of every meter made is a hundredth of it
MOST_VALUES: Final = 1_000_000  # ours: with aliases written out
LARGEST_INTEGER: Final = 2**63 - 1
MOST_SHOWN: Final = 80  # characters of a value in a message
_TEXT_TAG: Final = "tag:yaml.org,2002:str"
_WHOLE_TAG: Final = "tag:yaml.org,2002:int"
_WORD_TAGS: Final = ("tag:yaml.org,2002:bool", "tag:yaml.org,2002:null")


def read_yaml(path: Path) -> Any:
    """One YAML document.

    Raises
    ------
    ConfigError
        If the file is missing, unreadable or not YAML; the text names file and line.
    """
    text = _text(path)
    try:
        return yaml.load(text, Loader=_CarefulLoader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f" line {mark.line + 1}" if mark else ""
        problem = getattr(error, "problem", None) or _unreadable(error)
        raise ConfigError(f"{path}{where}: {problem}") from None
    except RecursionError:
        raise ConfigError(f"{path}: nested too deeply to be read") from None


def plain_file(path: Path) -> None:
    """Refuse a folder, and a pipe or device, whose reading may never end.

    Raises
    ------
    ConfigError
        Naming it.
    OSError
        If it cannot be looked at.
    """
    if not is_plain_file(path):
        what = "is a folder" if path.is_dir() else "not a regular file"
        raise ConfigError(f"{path}: cannot be read: {what}")


def csv_rows(
    path: Path, *, if_missing: str = "no such file"
) -> tuple[list[tuple[int, dict[str, str]]], list[str]]:
    """Rows of a CSV file with their lines, and the names of its columns.

    Raises
    ------
    ConfigError
        If it cannot be read.
    """
    try:
        plain_file(path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            rows = [(reader.line_num, row) for row in reader]
            return rows, list(reader.fieldnames or [])
    except FileNotFoundError:
        raise ConfigError(f"{path}: {if_missing}") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None


def short(value: Any) -> str:
    """A value for a message, cut where it is long."""
    text = repr(value)
    return text if len(text) <= MOST_SHOWN else f"{text[:MOST_SHOWN]}..."


def _text(path: Path) -> str:
    try:
        plain_file(path)
        if path.stat().st_size > MOST_BYTES:
            raise ConfigError(f"{path}: larger than {MOST_BYTES >> 20} MB; not a YAML file?")
        return whole_text(path, advice="save the file as UTF-8")
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except OSError as error:
        told = getattr(error, "strerror", None) or error
        raise ConfigError(f"{path}: cannot be read: {told}") from None


def _unreadable(error: yaml.YAMLError) -> str:
    if isinstance(error, yaml.reader.ReaderError):
        return f"not YAML: character {error.position + 1} is U+{error.character:04X}"
    return "not YAML"


class _CarefulLoader(yaml.SafeLoader):
    """Keeps keys as written, and rejects what would be lost or never end, with its line.

    YAML 1.1 reads the keys `OFF` and `NO` as false, `010` as 8 and `12:30` as 750: all of them
    are codes that utilities use. Rejected are duplicate keys, values that contain themselves or
    grow without limit by aliases, integers beyond 64 bits, text with NUL or half characters.
    """

    def get_single_node(self) -> yaml.Node | None:
        node: yaml.Node | None = super().get_single_node()
        if node is not None:
            _count(node, {}, set())
        return node

    def construct_object(self, node: yaml.Node, deep: bool = False) -> Any:
        try:
            value = super().construct_object(node, deep=deep)
        except (yaml.YAMLError, RecursionError):
            raise
        except Exception:  # the library's constructors raise whatever their parts do
            tag = node.tag.rpartition(":")[2]
            raise _problem(node, f"{short(node.value)} is no value of kind {tag}") from None
        if isinstance(value, int) and abs(value) > LARGEST_INTEGER:
            raise _problem(node, "a whole number of more than 64 bits")
        if isinstance(value, str) and (bad := _no_text(value)):
            raise _problem(node, f"text holds U+{ord(bad):04X}, which no text may hold")
        return value

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        if not isinstance(node, yaml.MappingNode):
            raise _problem(node, "expected keys and values")
        seen: set[Any] = set()
        for key_node, _ in node.value:
            if _is_code(key_node):
                key_node.tag = _TEXT_TAG
            key = self.construct_object(key_node, deep=True)
            if isinstance(key, str | int | float) and key in seen:
                raise _problem(key_node, f"duplicate key {short(key)}")
            if isinstance(key, str | int | float):
                seen.add(key)
        return super().construct_mapping(node, deep)


def _problem(node: yaml.Node, text: str) -> yaml.constructor.ConstructorError:
    return yaml.constructor.ConstructorError(None, None, text, node.start_mark)


def _no_text(value: str) -> str | None:
    """The first NUL or half of a surrogate pair."""
    return next((c for c in value if c == "\0" or unicodedata.category(c) == "Cs"), None)


def _count(node: yaml.Node, known: dict[int, int], open_nodes: set[int]) -> int:
    """Values in a node, each alias counted as often as it stands."""
    if id(node) in known:
        return known[id(node)]
    if id(node) in open_nodes:
        raise _problem(node, "a value holds itself")
    open_nodes.add(id(node))
    parts: list[Any] = node.value if not isinstance(node, yaml.ScalarNode) else []
    flat = [n for p in parts for n in (p if isinstance(p, tuple) else (p,))]
    total = 1 + sum(_count(inner, known, open_nodes) for inner in flat)
    if total > MOST_VALUES:
        raise _problem(node, f"more than {MOST_VALUES:,} values")
    open_nodes.discard(id(node))
    known[id(node)] = total
    return total


def _is_code(node: yaml.Node) -> bool:
    """Whether a key would not stand as it is written: a yes or no, null, `010`, `12:30`."""
    if not isinstance(node, yaml.ScalarNode) or node.style:
        return False
    if node.tag == _WHOLE_TAG:
        return not re.fullmatch(r"[-+]?(0|[1-9]\d*)", node.value)
    return node.tag in _WORD_TAGS
