"""The thresholds as a commented file: each with its meaning, bounds and source."""

from __future__ import annotations

import json
import textwrap
from typing import Any, Final

from pydantic.fields import FieldInfo

from rightsize.settings import Thresholds
from rightsize.units.plain_number import plain_number

_WIDTH: Final = 92
_HEAD: Final = """\
# Every threshold behind a verdict, with its default. Copy this file, keep the lines that differ
# for your utility, and set `thresholds:` in the configuration to the copy. A changed threshold
# reassesses the fleet from stored profiles; no reads are landed or profiled again.
#
# Generated from rightsize/settings.py; a test keeps the two in step:
# python -c "from rightsize.settings_text import thresholds_yaml as t; print(t(), end='')"
"""


def thresholds_yaml() -> str:
    """The text of `config/thresholds.yaml`."""
    parts = [_entry(name, field) for name, field in Thresholds.model_fields.items()]
    return _HEAD + "\n" + "\n".join(parts)


def _entry(name: str, field: FieldInfo) -> str:
    extra = field.json_schema_extra
    source = extra.get("source") if isinstance(extra, dict) else None
    about = [field.description or "", _bounds(field), f"source: {source}" if source else ""]
    comment = textwrap.fill(
        "; ".join(part for part in about if part),
        width=_WIDTH,
        initial_indent="# ",
        subsequent_indent="#   ",
    )
    value = field.default
    line = f"# {name}:" if value is None else f"{name}: {_yaml(value)}"
    return f"{comment}\n{line}\n"


def _bounds(field: FieldInfo) -> str:
    low = next((m.ge for m in field.metadata if hasattr(m, "ge")), None)
    high = next((m.le for m in field.metadata if hasattr(m, "le")), None)
    if low is None:
        return ""
    least = plain_number(low, parted=",")
    return (
        f"{least} or more" if high is None else f"{least} to {plain_number(high, parted=',')}"
    )


def _yaml(value: Any) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(str(v) for v in value)}]"
    if isinstance(value, dict):
        pairs = ", ".join(f"{key}: {_yaml(float(v))}" for key, v in value.items())
        return f"{{{pairs}}}"
    return plain_number(value) if isinstance(value, float) else json.dumps(value)
