"""One YAML document; codes that stand as keys are kept as they are written."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final

import yaml

from pipelines.store.delimited import whole_text
from rightsize.errors import ConfigError

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
    try:
        text = whole_text(path, advice="save the file as UTF-8")
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None
    try:
        return yaml.load(text, Loader=_KeyLoader)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = f" line {mark.line + 1}" if mark else ""
        problem = getattr(error, "problem", None) or "not YAML"
        raise ConfigError(f"{path}{where}: {problem}") from None


class _KeyLoader(yaml.SafeLoader):
    """Keeps keys as they are written, and refuses a mapping that says one key twice.

    YAML 1.1 reads the keys `OFF` and `NO` as false, `010` as 8 and `12:30` as 750: all of
    them are codes that utilities use. A duplicate key would silently lose the first value.
    """

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict[Any, Any]:
        seen: set[Any] = set()
        for key_node, _ in node.value:
            if _is_code(key_node):
                key_node.tag = _TEXT_TAG
            key = self.construct_object(key_node, deep=True)
            if isinstance(key, str | int | float) and key in seen:
                raise yaml.constructor.ConstructorError(
                    None, None, f"duplicate key {key!r}", key_node.start_mark
                )
            seen.add(key)
        return super().construct_mapping(node, deep)


def _is_code(node: yaml.Node) -> bool:
    """Whether a key would not stand as it is written: a yes or no, null, `010`, `12:30`."""
    if not isinstance(node, yaml.ScalarNode) or node.style:
        return False
    if node.tag == _WHOLE_TAG:
        return not re.fullmatch(r"[-+]?(0|[1-9]\d*)", node.value)
    return node.tag in _WORD_TAGS
