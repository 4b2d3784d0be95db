"""Location of the SQL and shipped configuration: beside the code, or inside the wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path

_HERE = Path(__file__).resolve().parents[1]


@cache
def data_root() -> Path:
    """The folder that holds `sql/` and `config/`."""
    installed = _HERE / "_data"
    return installed if installed.is_dir() else _HERE.parent


def sql_text(relation: str) -> str:
    """The statement of `sql/<stage>/<relation>.sql`, e.g. `30_profile/month_stat`."""
    return (data_root() / "sql" / f"{relation}.sql").read_text(encoding="utf-8")


def config_path(name: str) -> Path:
    """A file of the shipped `config/` folder."""
    return data_root() / "config" / name
