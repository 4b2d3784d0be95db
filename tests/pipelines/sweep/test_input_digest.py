"""Equal inputs have one key, in every process; whatever changes in them changes it."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipelines.configuration.judged_by import JudgedBy, UsedLogs
from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from pipelines.sweep.input_digest import digest_of
from rightsize.settings import Tariff, Thresholds

TARIFF = Tariff.model_validate({"classes": {"default": {"tiers": [{"usd_per_kgal": 5.4}]}}})
ELSEWHERE = (
    "from pipelines.sweep.input_digest import digest_of\n"
    "from rightsize.settings import Thresholds\n"
    "print(digest_of({'b': 1.5, 'a': None}, frozenset('water'), Thresholds()))"
)


def judged_by() -> JudgedBy:
    return JudgedBy(
        catalogue=load_catalogue(),
        tariff=TARIFF,
        thresholds=Thresholds(),
        priors=load_priors(),
        units="us",
    )


def test_equal_values_have_one_digest_in_another_process() -> None:
    here = digest_of({"a": None, "b": 1.5}, frozenset("water"), Thresholds())
    for seed in ("1", "2"):
        done = subprocess.run(
            [sys.executable, "-c", ELSEWHERE],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(sys.path)},
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.strip() == here


def test_all_that_accounts_are_judged_by_can_be_told() -> None:
    assert digest_of(judged_by()) == digest_of(judged_by())


@pytest.mark.parametrize("name", list(Thresholds.model_fields))
def test_every_limit_counts(name: str) -> None:
    limits = Thresholds()
    value = getattr(limits, name)
    other: Any = ("x",) if isinstance(value, tuple) else f"{value}x"
    if isinstance(value, bool | int | float):
        other = not value if isinstance(value, bool) else value + 1
    changed = limits.model_copy(update={name: other})
    assert digest_of(changed) != digest_of(limits)


def test_every_field_of_what_accounts_are_judged_by_counts() -> None:
    whole = judged_by()
    first = digest_of(whole)
    meter = whole.catalogue.meters[0]
    others: dict[str, Any] = {
        "catalogue": replace(
            whole.catalogue, meters=(replace(meter, smoc_gpm=meter.smoc_gpm + 1e-9),)
        ),
        "tariff": TARIFF.model_copy(update={"discount_rate_pct": 4.5}),
        "thresholds": Thresholds(seed=7),
        "priors": replace(whole.priors, by_class=dict(list(whole.priors.by_class.items())[1:])),
        "units": "metric",
        "installed": np.zeros(3),
        "correction": "another",
        "logs": UsedLogs(rows=pl.DataFrame({"meter_id": ["M1"]})),
        "to_log": frozenset({"M1"}),
    }
    assert set(others) == {field.name for field in fields(JudgedBy)}
    told = [digest_of(replace(whole, **{name: other})) for name, other in others.items()]
    assert len({first, *told}) == len(others) + 1


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (np.array([1.0, 2.0]), np.array([1.0, np.nextafter(2.0, 3.0)])),
        (np.zeros((2, 3)), np.zeros((3, 2))),
        (np.zeros(2, np.float32), np.zeros(2, np.int32)),
        (pl.DataFrame({"a": [1.0]}), pl.DataFrame({"a": [np.nextafter(1.0, 2.0)]})),
        (pl.DataFrame({"a": [1]}), pl.DataFrame({"b": [1]})),
        (pl.DataFrame({"a": ["1"]}), pl.DataFrame({"a": [1]})),
        (pl.DataFrame({"a": [None, 1.0]}), pl.DataFrame({"a": [1.0, None]})),
        (pl.DataFrame({"a": [float("nan")]}), pl.DataFrame({"a": [None]}, {"a": pl.Float64})),
        (pl.DataFrame({"a": [float("inf")]}), pl.DataFrame({"a": [float("-inf")]})),
        (["ab", "c"], ["a", "bc"]),
        ([["a"], "b"], [["a", "b"]]),
        ({"a": "b"}, {"b": "a"}),
        (1, True),
        (1, "1"),
        (None, ""),
    ],
)
def test_what_differs_differs(one: Any, other: Any) -> None:
    assert digest_of(one) != digest_of(other)


def test_the_same_number_is_the_same_however_it_was_come_by() -> None:
    assert digest_of([np.float64(0.1), np.int64(3)]) == digest_of((0.1, 3))


def test_what_cannot_be_told_is_refused() -> None:
    @dataclass
    class Held:
        rule: object

    for value in (object(), Held(rule=lambda: 1), np.array([object()])):
        with pytest.raises(TypeError, match="cannot be told"):
            digest_of(value)
