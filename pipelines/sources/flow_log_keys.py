"""What the file of a flow logger says of itself, above its columns."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import polars as pl

from pipelines.configuration.load_settings import FlowLogSettings
from pipelines.configuration.named_things import known_zone
from pipelines.configuration.yaml_file import short
from rightsize.errors import ConfigError
from rightsize.units import GPM_PER_M3H, L_PER_GAL

KEYS: Final[dict[str, str]] = {
    "meter_id": "meter that was logged, as in the meter list; this or `account_id`",
    "account_id": "account that was logged; enough where it has one meter in service",
    "pulse_gal": "volume of one pulse [gal]; or `pulse_l` [L]",
    "pulse_l": "volume of one pulse [L]",
    "step_s": "length of a sample [s], 1 to 60; from the times if absent",
    "start_at": "start of the first sample; only where there is no column `at`",
    "timezone": "zone of the file's local times, if not that of the configuration",
    "drift_s_per_day": "what the logger's clock gained a day [s], negative if it lost",
    "measures": "`meter` (pulses of the installed meter) or `pipe` (a sensor of its own)",
    "error_pct": "accuracy of a `pipe` sensor, half a 90 % range [%]",
}
"""Every key above the columns, with its meaning."""
COLUMNS: Final = ("at", "pulses", "flow")
FLOW_TO_GPM: Final[dict[str, float]] = {
    "gpm": 1.0,
    "L/min": 1 / L_PER_GAL,
    "L/s": 60 / L_PER_GAL,
    "m3/h": GPM_PER_M3H,
}
STEP_RANGE_S: Final = (1.0, 60.0)  # [s] coarser samples hide peaks as reads do: our convention
LARGEST_DRIFT_S: Final = 3600.0  # [s a day] a clock that is worse tells no time: convention


class LoggerKeys:
    """Keys of a file, checked as they are asked for."""

    def __init__(
        self, path: Path, written: FlowLogSettings, keys: Iterable[tuple[str, str]]
    ) -> None:
        self.path, self.written = path, written
        theirs = {word: ours for ours, word in written.key_names.items()}
        self._keys: dict[str, str] = {}
        for name, value in keys:
            ours = theirs.get(name, name)
            if ours in KEYS and ours in self._keys:
                raise ConfigError(f"{path}: the key {ours} stands twice above the columns")
            self._keys[ours] = value
        strange = sorted(set(written.key_names) - set(KEYS))
        if strange:
            raise ConfigError(
                f"flow_logs.key_names maps {strange[0]!r}; allowed: {', '.join(KEYS)}"
            )
        if not (self.text("meter_id") or self.text("account_id")):
            raise ConfigError(
                f"{path}: names no meter: write `# meter_id: ...` or `# account_id: ...` above"
                " the columns"
            )
        self.drift = self.number("drift_s_per_day", -LARGEST_DRIFT_S, LARGEST_DRIFT_S) or 0.0

    def text(self, key: str) -> str | None:
        """A key's value, None where it is absent or blank."""
        found = self._keys.get(key, "").strip() or None
        if found and "\ufffd" in found:
            raise ConfigError(
                f"{self.path}: {key}: holds bytes that are not {self.written.encoding}; set"
                " flow_logs.encoding"
            )
        return found

    def number(self, key: str, low: float, high: float) -> float | None:
        """A key's number within bounds, None where it is absent."""
        said = self.text(key)
        if said is None:
            return None
        try:
            value = math.nan if "_" in said else float(said)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise ConfigError(
                f"{self.path}: {key}: must be a number from {low:g} to {high:g}; got"
                f" {short(said)}"
            )
        return value

    def kind_of(self, columns: list[str]) -> str:
        """Whether the rows hold pulses or flow."""
        kinds = [name for name in ("pulses", "flow") if name in columns]
        if len(kinds) != 1:
            raise ConfigError(
                f"{self.path}: needs one of the columns pulses and flow; the file has:"
                f" {', '.join(c for c in columns if c in COLUMNS) or 'neither'};"
                " flow_logs.columns says which of them it is"
            )
        if kinds[0] == "pulses":
            self.pulse_gal()
        return kinds[0]

    def pulse_gal(self) -> float:
        """Volume of a pulse."""
        gal = self.number("pulse_gal", 1e-4, 10_000)
        litres = self.number("pulse_l", 1e-4, 40_000)
        if gal is not None and litres is not None:
            raise ConfigError(f"{self.path}: pulse_gal and pulse_l are both given; keep one")
        found = gal or (litres and litres / L_PER_GAL) or self.written.pulse_gal
        if not found:
            raise ConfigError(
                f"{self.path}: pulses need a size: write `# pulse_gal: ...` above the columns,"
                " or flow_logs.pulse_gal in the configuration"
            )
        return float(found)

    def measures(self, kind: str) -> str:
        """What the logger measures: the meter's own count, or the flow in the pipe."""
        found = self.text("measures") or self.written.measures
        found = found or ("meter" if kind == "pulses" else "pipe")
        if found not in ("meter", "pipe"):
            raise ConfigError(
                f"{self.path}: measures: must be meter or pipe; got {short(found)}"
            )
        return found

    def zone(self, usual: str) -> str:
        """Zone of the file's local times."""
        named = self.text("timezone")
        if named is None:
            return self.written.timezone or usual
        try:
            return known_zone(named)
        except ValueError as error:
            raise ConfigError(f"{self.path}: timezone: {error}") from None

    def step_s(self, placed: pl.DataFrame) -> float:
        """Length of a sample: as said, or the usual step of the times."""
        found = self.number("step_s", *STEP_RANGE_S)
        if found is not None:
            return found
        times = placed["start_at"].drop_nulls().unique().sort()
        step: Any = times.diff().drop_nulls().dt.total_microseconds().median()
        if step is None:
            raise ConfigError(
                f"{self.path}: no two times can be read, so the length of a sample is not"
                " known; write `# step_s: ...` above the columns"
            )
        seconds = float(step) / 1e6
        if not STEP_RANGE_S[0] <= seconds <= STEP_RANGE_S[1]:
            raise ConfigError(
                f"{self.path}: samples of {seconds:g} s; a flow log has one every"
                f" {STEP_RANGE_S[0]:g} to {STEP_RANGE_S[1]:g} s"
            )
        return seconds

    def sample_gal(self, kind: str, step_s: float) -> float:
        """Volume of one unit of a sample's value [gal]: of a pulse, or of a flow for a step."""
        if kind == "pulses":
            return self.pulse_gal()
        return FLOW_TO_GPM[self.written.flow_unit] * step_s / 60
