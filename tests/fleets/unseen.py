"""Steady flow that no read of a site can show: what it might be, by the law it was planted by.

Who knows every flow of a site to 10 s, and the very law by which leaks were planted, but not
what runs below the starting flow of the meter, chooses among these.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.special import ndtr, ndtri

from rightsize.demand.bands import BAND_COUNT, band_of
from rightsize.inference.posterior import BY_ACCOUNT
from rightsize.meters.curve import registration_ratio
from tests.fleets import judge
from tests.fleets.sites import Z90

TRIED = 20  # steady flows, equally likely


def unseen_of(by_flow, site, meter, steps):
    """What might flow: volume by band [TRIED, B], and as the meter registers it [TRIED].

    `by_flow` tells volume and mean flow of fine steps of a flow. Of a leak that the meter
    shows, everything is known.
    """
    volume, centre = by_flow(_without_leak(steps, site))
    count = 6 * volume / np.maximum(centre, 1e-9)
    count[0] += len(steps) - count.sum()  # steps without flow
    bands, installed = [], []
    for steady in _steady(site, meter):
        flow = np.maximum(centre + steady, 0.0)
        gal = count * flow / 6
        bands.append(np.bincount(np.maximum(band_of(flow), 0), gal, BAND_COUNT))
        installed.append(registration_ratio(np.maximum(flow, 1e-9), meter) @ gal)
    return np.array(bands), np.array(installed)


def _without_leak(steps, site):
    out = steps.copy()
    first = getattr(site, "leak_from_day", 0) * 8640
    out[first:] = np.maximum(out[first:] - np.float32(site.leak_gpm), 0)
    return out


def _steady(site, meter):
    """Equally likely steady flows [gpm], given that the meter shows none or shows the leak."""
    if site.leak_gpm >= meter.starting_gpm or site.leak_law is None:
        return np.full(TRIED, site.leak_gpm)
    share, median, factor = site.leak_law
    log_sd = np.log(factor) / Z90
    below = ndtr((np.log(meter.starting_gpm) - np.log(median)) / log_sd)
    likely = share * below / (1 - share + share * below)
    rank = (np.arange(TRIED) + 0.5) / TRIED - (1 - likely)
    size = median * np.exp(log_sd * ndtri(np.clip(rank / likely * below, 1e-9, 1)))
    return np.where(rank > 0, size, 0.0)


def knowing_all_else(truth, block, meters):
    """A posterior whose samples differ by the steady flow that the reads cannot show."""
    one = judge.truth_posterior(truth, block)
    by_band = judge.registered_by_band(meters)
    many = {
        name: np.repeat(value, TRIED, axis=0)
        for name, value in vars(one).items()
        if value is not None and name not in BY_ACCOUNT
    }
    many["actual_gal_per_year"] = truth.unseen_gal.sum(axis=2).T * judge.YEAR
    many["installed_gal_per_year"] = truth.unseen_installed_gal.T * judge.YEAR
    registered = np.moveaxis(truth.unseen_gal, 1, 0) @ by_band.T * judge.YEAR
    many["registered_gal_per_year"] = registered
    many["registered_envelope_low"] = registered.min(axis=0)
    many["registered_envelope_high"] = registered.max(axis=0)
    return replace(one, **many)


def gained_knowing_all_else(truth, block, meters, oracle):
    """True net benefit [A] of the product's rules, logs among them, with such a posterior."""
    known = knowing_all_else(truth, block, meters)
    decision = judge.decided(block, known, meters)
    return judge.scores(truth, block, meters, known, decision, oracle)["gained"]
