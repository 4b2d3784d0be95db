"""Tables of the handbook's configuration page: `python -m pipelines.handbook.settings`.

The text is written by hand; the tables between markers are generated from the settings and the
columns of the meter list. A test fails if they differ.
"""

from __future__ import annotations

from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from pipelines.configuration import meter_list as meters
from pipelines.configuration.load_settings import (
    ChangeOutLogSettings,
    ExportSettings,
    FlowLogSettings,
    MeterListSettings,
    SweepSettings,
)
from pipelines.handbook.parts import with_parts
from rightsize.meter_types import MeterType
from rightsize.meters.testing_settings import MeterTestSettings
from rightsize.meters.uncertainty.wear import WearRate
from rightsize.settings import (
    ClassRate,
    CustomerClass,
    Settings,
    Tariff,
    Thresholds,
    Tier,
)
from rightsize.units.plain_number import plain_number

PAGE: Final = (
    Path(__file__).resolve().parents[2] / "rightsize" / "handbook" / "configuration.md"
)
_MODELS: Final[dict[str, type[Settings]]] = {
    "sweep": SweepSettings,
    "export": ExportSettings,
    "meter_list": MeterListSettings,
    "change_out_log": ChangeOutLogSettings,
    "flow_logs": FlowLogSettings,
    "meter_tests": MeterTestSettings,
    "wear": WearRate,
    "tariff": Tariff,
    "rate": ClassRate,
    "tier": Tier,
    "thresholds": Thresholds,
}
_WORDS: Final = {str: "text", int: "whole number", float: "number", bool: "yes or no"}
_NAMED: Final = {MeterType: "meter type", CustomerClass: "customer class"}


def tables() -> dict[str, str]:
    """Every table of the page as Markdown, by marker name."""
    shown = {name: _settings_table(model) for name, model in _MODELS.items()}
    return {**shown, "meters": _meters_table()}


def with_tables(text: str) -> str:
    """The page with its tables regenerated."""
    return with_parts(text, tables())


def _settings_table(model: type[Settings]) -> str:
    has_source = any(_source(field) for field in model.model_fields.values())
    heads = ["key", "value", "default", "meaning", *(["source"] if has_source else [])]
    rows = []
    for name, field in model.model_fields.items():
        cells = [f"`{name}`", _allowed(field), _default(field), field.description or ""]
        rows.append([*cells, _source(field)] if has_source else cells)
    return _markdown(heads, rows)


def _meters_table() -> str:
    rows = [
        [f"`{name}`", "yes" if name in meters.REQUIRED else "", meaning]
        for name, meaning in meters.COLUMNS.items()
    ]
    return _markdown(["column", "required", "meaning"], rows)


def _markdown(heads: list[str], rows: list[list[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _allowed(field: FieldInfo) -> str:
    return f"{_kind(field.annotation)}{_bounds(field)}"


def _kind(annotation: Any) -> str:
    """A type in words."""
    if annotation in _NAMED:
        return _NAMED[annotation]
    origin, inner = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _kind(inner[0])
    if origin in (Union, UnionType):
        return " or ".join(_kind(a) for a in inner if a is not NoneType)
    if origin is Literal:
        return " or ".join("a space" if c == " " else f"`{c}`" for c in inner)
    if origin is tuple and inner[1] is ...:
        return f"list of {_plural(inner[0])}"
    if origin is tuple:
        return f"list of {len(inner)} {_plural(inner[0])}, low to high"
    if origin is dict:
        return f"mapping: {_kind(inner[0])} to {_kind(inner[1])}"
    if isinstance(annotation, type) and issubclass(annotation, Settings):
        return "entry"
    return _WORDS[annotation]


def _plural(annotation: Any) -> str:
    kind = _kind(annotation)
    return "entries" if kind == "entry" else f"{kind}{'es' if kind.endswith('s') else 's'}"


def _bounds(field: FieldInfo) -> str:
    found = {
        word: getattr(m, name)
        for m in field.metadata
        for name, word in (("ge", "from"), ("gt", "above"), ("le", "to"))
        if getattr(m, name, None) is not None
    }
    shown = " ".join(f"{word} {value:,.10g}" for word, value in found.items())
    return f", {shown}" if shown else ""


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "**required**"
    value = field.default
    if value is None or value is PydanticUndefined or value == ():
        return ""
    if isinstance(value, Settings):
        return ""
    if isinstance(value, tuple):
        return f"`[{', '.join(map(str, value))}]`"
    if isinstance(value, dict):
        return f"`{{{', '.join(f'{k}: {plain_number(v)}' for k, v in value.items())}}}`"
    return f"`{plain_number(value)}`" if isinstance(value, float) else f"`{value}`"


def _source(field: FieldInfo) -> str:
    extra = field.json_schema_extra
    return str(extra.get("source", "")) if isinstance(extra, dict) else ""


if __name__ == "__main__":
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
