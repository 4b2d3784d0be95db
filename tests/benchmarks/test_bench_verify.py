"""Speed of judging change-outs: 2,000 cases, 10 controls each, among 100,000 accounts."""

from __future__ import annotations

import resource
import time
from dataclasses import replace

import numpy as np
import pytest

from rightsize.verify.panel import WEEKS
from rightsize.verify.realised import realised
from tests.unit.verify.fleets import fleet


@pytest.mark.bench
@pytest.mark.parametrize("is_weather", [False, True], ids=["without weather", "with weather"])
def test_two_thousand_cases_among_a_hundred_thousand_accounts(is_weather):
    made = fleet(1, kept=98_000, changed=2_000)
    panel = replace(made.panel, weather=made.weather) if is_weather else made.panel
    held_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    began, spent = time.monotonic(), time.process_time()
    said = realised(panel, made.cases, WEEKS, controls=10)
    seconds, processor = time.monotonic() - began, time.process_time() - spent
    peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    told = np.isfinite(said.gain_share)
    print(
        f"\n2,000 cases: {seconds:.1f} s, {processor:.1f} s of processor time; peak "
        f"{peak_gib:.2f} GiB, {held_gib:.2f} GiB of it before judging"
    )
    assert told.mean() > 0.95
