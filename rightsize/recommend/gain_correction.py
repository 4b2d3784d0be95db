"""Promised gains corrected by what came of past change-outs, sample by sample.

A gain of registered volume over the installed meter is multiplied by the factor of the finest
group of the candidate that has one: type, size and class, type and size, type, all meters. A
loss stays as it is: what is learned from gains that fell short says nothing of a loss.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.contracts.change_outs.gain_correction import GainCorrection, finest
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.catalogue import Meter

Array = NDArray[np.float64]

NO_CORRECTION: Final = (1.0, 0.0)
LOWEST_FACTOR: Final = 0.0  # a correction takes a gain away, never turns it into a loss
HIGHEST_FACTOR: Final = 1.5  # as far as a group may be corrected upward (ours)
_ORDER_SEED: Final = 19  # of the samples of what is not known of a factor, alike in every block


def factors_at(
    correction: GainCorrection, customer_class: tuple[str, ...], meters: tuple[Meter, ...]
) -> tuple[Array, Array]:
    """Factor and its standard error for every account and meter [A, M]."""
    known = {f.group: (f.factor, f.error) for f in correction.factors}
    classes = sorted(set(customer_class))
    by_class = np.array(
        [
            [
                finest(known, (m.meter_type, float(m.size_in), name)) or NO_CORRECTION
                for m in meters
            ]
            for name in classes
        ]
    ).reshape(len(classes), len(meters), 2)
    at = np.searchsorted(np.array(classes, dtype=np.str_), np.array(customer_class, np.str_))
    return by_class[at, :, 0], by_class[at, :, 1]


def corrected(posterior: FlowPosterior, factor: Array, error: Array) -> FlowPosterior:
    """The posterior with each meter's gain over the installed one multiplied by its factor.

    What is not known of a factor is one normal number a sample, the same for all accounts: it
    is learned from the same cases, and so does not average out over a fleet.
    """
    count = len(posterior.installed_gal_per_year)
    rank = np.random.default_rng(_ORDER_SEED).permutation((np.arange(count) + 0.5) / count)
    sampled = factor + ndtri(rank)[:, None, None] * error
    sampled = np.clip(sampled, LOWEST_FACTOR, HIGHEST_FACTOR)
    installed = posterior.installed_gal_per_year[:, :, None]
    known = posterior.known_curve_gal_per_year
    return replace(
        posterior,
        registered_gal_per_year=_scaled(posterior.registered_gal_per_year, installed, sampled),
        known_curve_gal_per_year=None if known is None else _scaled(known, installed, sampled),
    )


def _scaled(registered: Array, installed: Array, factor: Array) -> Array:
    gain = registered - installed
    return np.asarray(installed + np.where(gain > 0, factor * gain, gain))
