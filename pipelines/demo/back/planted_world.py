"""What the demo in a folder was drawn from, so that more of its truth can be shown."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import read_model
from pipelines.demo import tables
from pipelines.demo.account import World
from pipelines.demo.calendar import calendar_of
from pipelines.demo.fleet import Plan, fleet_of
from rightsize.errors import ConfigError
from rightsize.settings import Tariff, Thresholds


def world_of(folder: Path) -> tuple[World, tuple[Plan, ...]]:
    """World and accounts of the demo in a folder, without its planted change-outs.

    Raises
    ------
    ConfigError
        If it holds no demo of this version.
    """
    mark = folder / tables.MARK
    facts = _facts(mark) if mark.is_file() else {}
    if not all(isinstance(facts.get(name), int) for name in ("months", "accounts", "seed")):
        raise ConfigError(f"demo: {folder} holds no demo of this version; write one first")
    world = World(
        calendar=calendar_of(facts["months"]),
        catalogue=load_catalogue(folder / "catalogue.yaml"),
        tariff=read_model(folder / "tariff.yaml", Tariff),
        thresholds=read_model(folder / "thresholds.yaml", Thresholds),
        seed=facts["seed"],
        correction_month=facts["months"] // 3,
    )
    return world, fleet_of(facts["accounts"], facts["seed"])


def _facts(mark: Path) -> dict[str, Any]:
    try:
        found = json.loads(mark.read_text(encoding="utf-8"))
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
