"""Know a meter list among unknown files, and propose how to read it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from pipelines.commands.look.sample import Sample
from pipelines.commands.look.times import formats_of
from pipelines.configuration.meter_list import OPTIONAL, REQUIRED
from pipelines.configuration.metric_columns import METRIC_COLUMNS
from pipelines.sources.columns import plain, usual_names
from rightsize.meter_types import METER_TYPES
from rightsize.settings import CUSTOMER_CLASSES, SERVICE_KINDS

_USUAL: Final[dict[str, tuple[str, ...]]] = {
    "account_id": (
        "account", "account_no", "account_number", "account_num", "acct", "acct_id", "acct_no",
        "acct_number", "acct_num", "customer_id", "customer_no", "customer_number",
        "premise_id", "premise_no", "premise",
    ),
    "meter_id": usual_names("meter_id"),
    "meter_type": ("type", "metertype", "mtr_type", "kind", "meter_kind", "type_code",
                   "meter_type_code", "technology"),
    "size_in": ("size", "meter_size", "mtr_size", "nominal_size", "nominal", "size_inch",
                "size_inches", "meter_size_in"),
    "size_mm": ("meter_size_mm", "dn"),
    "installed_on": ("install_date", "installed", "date_installed", "installation_date",
                     "set_date", "date_set", "in_service_date", "installed_date", "set"),
    "removed_on": ("remove_date", "removal_date", "removed", "date_removed", "removed_date",
                   "out_of_service_date", "pulled", "pull_date", "retired_on"),
    "customer_class": ("class", "class_code", "cust_class", "rate_class", "rate_code",
                       "customer_type", "use_class"),
    "multiplier": ("mult", "meter_multiplier", "register_multiplier", "factor"),
    "register_digits": ("digits", "dials", "no_of_dials", "dial_count"),
    "service_kind": ("service", "service_type"),
    "area": ("district", "route", "zone", "pressure_zone"),
    "customer_name": ("customer", "name"),
    "service_address": ("address", "service_addr", "location", "premise_address"),
    "is_critical": ("critical",),
}  # fmt: skip
"""Names under which meter lists commonly carry our columns: common practice, from memory."""
_TYPE_WORDS: Final[dict[str, tuple[str, ...]]] = {
    "displacement": ("pd", "disp", "positive_displacement", "pos_disp", "piston",
                     "oscillating_piston", "nutating_disc", "nutating_disk", "disc"),
    "turbine": ("turb", "turbo", "t2", "turbine_class_ii", "class_ii_turbine"),
    "compound": ("comp", "cmpd", "compd"),
    "single_jet": ("sj", "single"),
    "multi_jet": ("mj", "multijet", "multi"),
    "propeller": ("prop",),
    "electromagnetic": ("mag", "em", "emag", "magnetic", "magmeter"),
    "ultrasonic": ("ultra", "us", "sonic", "ult"),
    "fire_service": ("fire", "fs", "fire_line", "fireline"),
}  # fmt: skip
"""Words of meter lists that mean one type only: common practice, from memory."""
_NUMBER: Final = re.compile(r"^\d+(\.\d*)?$|^\.\d+$")
_YES_NO: Final = ("true", "yes", "y", "1", "x", "false", "no", "n", "0")
_METERS_SHARE: Final = 0.8  # of rows that name a meter of their own; change-outs repeat few


@dataclass(frozen=True)
class MeterFile:
    """A meter list: the keys of `meter_list` and `class_codes`, and what to check."""

    keys: dict[str, Any]
    class_codes: dict[str, str]
    notes: tuple[str, ...]
    class_notes: tuple[str, ...]
    meters: frozenset[str]


def meter_file(written: dict[str, Any], sample: Sample) -> MeterFile | None:
    """The meter list that a table is; None where it is none."""
    at = _columns(sample)
    has_size = "size_in" in at or "size_mm" in at
    if "account_id" not in at or "meter_id" not in at or not (has_size or "meter_type" in at):
        return None
    if sample.values(at["meter_id"]).len() < _METERS_SHARE * sample.rows.height:
        return None
    notes = [
        f"CHOOSE: no column was found for {name}, which is needed"
        for name in REQUIRED
        if name not in at and not (name == "size_in" and has_size)
    ]
    keys = dict(written)
    mapped = {ours: sample.header[k] for ours, k in at.items() if sample.header[k] != ours}
    if mapped:
        keys["columns"] = mapped
    if codes := _type_codes(sample, at, notes):
        keys["type_codes"] = codes
    if date_format := _date_format(sample, at, notes):
        keys["date_format"] = date_format
    class_notes: list[str] = []
    classes = _class_codes(sample, at, class_notes)
    meters = frozenset(sample.values(at["meter_id"]).to_list())
    return MeterFile(keys, classes, tuple(notes), tuple(class_notes), meters)


def _columns(sample: Sample) -> dict[str, int]:
    """Our name -> column, of those whose values can be what the name says."""
    names = [plain(name) for name in sample.header]
    found: dict[str, int] = {}
    for ours in (*REQUIRED, *OPTIONAL, *METRIC_COLUMNS):
        usual = (ours, *_USUAL.get(ours, ()))
        k = next((names.index(u) for u in usual if u in names), None)
        if k is not None and k not in found.values() and _may_be(ours, sample.some(k)):
            found[ours] = k
    return found


def _may_be(ours: str, values: Sequence[str]) -> bool:
    if ours in ("multiplier", "register_digits"):
        return all(_NUMBER.match(v) for v in values)
    if ours == "service_kind":
        return all(v in SERVICE_KINDS for v in values)
    if ours == "is_critical":
        return all(v.lower() in _YES_NO for v in values)
    return True


def _type_codes(sample: Sample, at: dict[str, int], notes: list[str]) -> dict[str, str]:
    if "meter_type" not in at:
        return {}
    codes: dict[str, str] = {}
    for value, count in sample.counts(at["meter_type"]):
        if value in METER_TYPES:
            continue
        guess = _type_of(value)
        if guess is None:
            notes.append(
                f"CHOOSE: what type is {value!r} ({count:,} meters)? type_codes: "
                f"{{{value}: displacement}} or another; no sweep runs without it"
            )
            continue
        codes[value] = guess
        notes.append(f"type {value!r} ({count:,} meters) is taken for {guess}: check it")
    return codes


def _type_of(value: str) -> str | None:
    word = plain(value)
    if word in METER_TYPES:
        return word
    return next((ours for ours, words in _TYPE_WORDS.items() if word in words), None)


def _class_codes(sample: Sample, at: dict[str, int], notes: list[str]) -> dict[str, str]:
    if "customer_class" not in at:
        return {}
    codes: dict[str, str] = {}
    for value, count in sample.counts(at["customer_class"]):
        if value in CUSTOMER_CLASSES:
            continue
        word = plain(value)
        near = [c for c in CUSTOMER_CLASSES if len(word) >= 3 and c.startswith(word)]
        guess = word if word in CUSTOMER_CLASSES else near[0] if len(near) == 1 else None
        if guess is None:
            notes.append(
                f"CHOOSE: class {value!r} ({count:,} meters) is unknown until class_codes "
                f"says one of ours: {{{value}: office}}"
            )
            continue
        codes[value] = guess
        notes.append(f"class {value!r} ({count:,} meters) is taken for {guess}: check it")
    return codes


def _date_format(sample: Sample, at: dict[str, int], notes: list[str]) -> str | None:
    """The one format that fits every date of the list; None where they are as ours."""
    fitting: list[str] | None = None
    for name in ("installed_on", "removed_on"):
        if name in at and sample.values(at[name]).len():
            formats = formats_of(sample, at[name])
            fitting = [f for f in formats if fitting is None or f in fitting]
    if fitting is None or fitting == [""]:
        return None
    if not fitting:
        notes.append("CHOOSE: its dates are of no format that is known: name date_format")
        return None
    if len(fitting) > 1:
        notes.append(f"CHOOSE: no date of the list tells {fitting[0]} from {fitting[1]}")
    return fitting[0]
