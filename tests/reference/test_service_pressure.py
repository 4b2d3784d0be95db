"""What pressure lets through a service: no sample of a peak may say more.

HAND: Hazen and Williams at 10 gpm in 100 ft of 1 in pipe, C 130: 4.52 x 10^1.852 / 130^1.852 =
0.0390 psi a foot, 3.90 psi in 100 ft. Tables of friction loss give 3.9 to 4.0 psi (from memory,
medium trust).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from rightsize.inference.meter.service import ServiceRecord, largest_flow_gpm, line_loss_psi
from rightsize.meters.head_loss import head_loss_psi
from tests.fleets import sites
from tests.fleets.fleet import simulate_fleet

CATALOGUE = load_catalogue()
USUAL = load_priors().service
MIDDLE = np.full((1, 1), 0.5)


def largest(meter, *, line=np.nan, spare=np.nan, prior=USUAL):
    record = ServiceRecord(np.array([line]), np.array([spare]), np.array([np.nan]))
    return float(largest_flow_gpm([meter], record, prior, MIDDLE, MIDDLE)[0, 0])


def test_the_loss_of_a_line_by_hand():
    lost = line_loss_psi(np.array(10.0), np.array(1.0), np.array(100.0), smoothness=130)
    assert float(lost) == pytest.approx(3.9, abs=0.05)


@pytest.mark.parametrize("size", [0.625, 0.75, 1, 1.5, 2])
def test_meter_and_line_together_lose_what_there_is(size):
    prior, meter = USUAL, CATALOGUE.find("displacement", size)
    flow = np.array(largest(meter))
    line = np.array(max(size, prior.least_line_in))
    length = np.array(prior.line_length_ft)
    lost = head_loss_psi(flow, meter) + line_loss_psi(
        flow, line, length, smoothness=prior.smoothness
    )
    assert float(lost) == pytest.approx(prior.available_psi, rel=1e-3)


def test_no_5_8_in_service_passes_63_gpm():
    # PLANTED: a peak of 63 gpm was once said of such a meter: 148 psi by its own head loss
    meter = CATALOGUE.find("displacement", 0.625)
    assert float(head_loss_psi(np.array(63.0), meter)) == pytest.approx(148, abs=2)
    assert 15 < largest(meter) < 35


def test_more_pressure_or_a_larger_line_lets_more_through():
    meter = CATALOGUE.find("displacement", 1)
    assert largest(meter, spare=10) < largest(meter, spare=60)
    assert largest(meter, line=1) < largest(meter, line=2)


def test_every_sample_of_a_peak_obeys_the_service():
    meters = tuple(CATALOGUE.meters)
    _, blocks = simulate_fleet(
        9, sites_per_kind=1, kinds=(sites.office, sites.hotel, sites.school), meters=meters,
        intervals=(60.0,),
    )  # fmt: skip
    small = next(k for k, m in enumerate(meters) if m.label == "5/8 in displacement")
    block = blocks[60.0]
    block = replace(block, meter_index=np.full(block.size, small))
    record = ServiceRecord(
        np.full(block.size, 0.75), np.full(block.size, 20.0), np.full(block.size, np.nan)
    )
    out = infer(block, meters, load_priors(), samples=40, seed=1, learnt=None, services=record)
    # 40 psi give or take, through the meter alone: 20 gpm at 15 psi
    most = np.maximum(20 * np.sqrt(40 * 1.15**2.5 / 15), block.max_interval_gpm)
    assert (out.peak_10s_gpm <= most[None]).all()
