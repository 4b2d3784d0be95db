"""Rounding by the register resolution: interval means between two steps.

A register of step s read every T minutes shows interval means in multiples of d = s / T. A true
mean v = (k + f) d reads as k d or (k + 1) d with odds 1 - f and f, whatever the register
position at the start of the interval. With few steps per interval a small flow shows as rare
counts. The distribution of true means is the usual maximum-likelihood fixed point (Richardson
1972, Lucy 1974), started from a density flat in flow, so that it stays flat where the counts
give no information.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT, BAND_EDGES_GPM, band_of

Array = NDArray[np.floating[Any]]

# Set by hand; tried on simulated fleets, which ones is not recorded. Where a line names
# another origin, that holds.
_STEPS: Final = 12.0  # [steps] above so many steps the rounding is finer than a band
_ITERATIONS: Final = 25  # [1] of the fixed point; more would sharpen chance
_MARGIN: Final = 4  # [bands] above that a rounded-up mean may show in
_TRUST: Final = 0.97  # [1] the rest allows for reads off the lattice
_LATTICE_STEPS: Final = 3  # [steps] below, the place between two steps decides the variance
_REST_START: Final = 0.25  # [1] of the starting law, at rest
_INSIDE: Final = 7  # [1] true means tried inside a band: convention
ROUNDING_PARTS: Final = 6
"""The difference of two readings rounded to steps of d has the variance d^2 / 6 more: twice the
d^2 / 12 of one rounding (derived)."""


def unrounded(
    band_count: Array, zero_count: Array, step_gpm: Array, resting_gpm: Array
) -> tuple[Array, Array]:
    """Counts of true interval means by band, and at rest, from those of rounded ones.

    Parameters
    ----------
    band_count : array [A, B]
        Intervals by band of their rounded mean.
    zero_count : array [A]
        Intervals that registered nothing.
    step_gpm : array [A]
        Register step over interval length [gpm].
    resting_gpm : array [A]
        What is registered at rest, of flow that never stops [gpm]. Where it is no more than
        some steps, an interval at rest shows as none or as a few.

    Returns
    -------
    tuple of arrays
        Band counts [A, B] and counts at rest [A]; totals are kept.
    """
    counts = np.concatenate([zero_count[:, None], band_count], axis=1)
    out = counts.copy()
    for step in np.unique(step_gpm):
        mine = step_gpm == step
        rests = np.where(rests_rounded(resting_gpm[mine], step), resting_gpm[mine], 0.0)
        out[mine] = _sharpened(counts[mine], float(step), rests)
    return out[:, 1:], out[:, 0]


def rests_rounded(resting_gpm: Array, step_gpm: Array | float) -> NDArray[np.bool_]:
    """Whether flow at rest is so small that rounding hides it [A]."""
    return np.asarray((resting_gpm > 0) & (resting_gpm <= _STEPS * step_gpm))


def rounding_variance(band_count: Array, zero_count: Array, step_gpm: Array) -> Array:
    """Mean variance that rounding adds to interval means [gpm2, A].

    `f (1 - f) d^2` at a true mean v = (k + f) d, over the distribution of true means; one
    sixth of d^2 where a mean is many steps.
    """
    total = np.maximum(band_count.sum(axis=1) + zero_count, 1)
    law, _ = unrounded(band_count, zero_count, step_gpm, np.zeros(len(step_gpm)))
    steps = BAND_CENTRES_GPM[None] / np.maximum(step_gpm[:, None], 1e-9)
    part = steps % 1.0
    each = np.where(steps < _LATTICE_STEPS, part * (1 - part), 1 / ROUNDING_PARTS)
    return np.asarray((law * each).sum(axis=1) / total * step_gpm**2)


def _sharpened(counts: Array, step_gpm: float, resting_gpm: Array) -> Array:
    """Fixed point over the bands affected by rounding; higher bands are unchanged."""
    shown, start = _lattice(step_gpm)
    size = len(start)
    at_rest = _shown_at_rest(resting_gpm, step_gpm)[:, :size]
    counts, above = counts[:, :size], counts[:, size:]
    total = counts.sum(axis=1, keepdims=True)
    law = np.maximum(start[None] * total, 1e-12)
    high = _STEPS * step_gpm < BAND_CENTRES_GPM[: size - 1]
    law[:, 1:][:, high] = np.maximum(counts[:, 1:][:, high], 1e-12)
    law[:, 1:][resting_gpm[:, None] > BAND_CENTRES_GPM[None, : size - 1]] = 0.0
    for _ in range(_ITERATIONS):
        expected = law[:, 1:] @ shown[1:] + law[:, :1] * at_rest
        told = counts / np.maximum(expected, 1e-12)
        law[:, 1:] *= told @ shown[1:].T
        law[:, 0] *= (told * at_rest).sum(axis=1)
    law *= total / np.maximum(law.sum(axis=1, keepdims=True), 1e-12)
    return np.concatenate([law, above], axis=1)


def _shown_at_rest(resting_gpm: Array, step_gpm: float) -> Array:
    """Odds of each shown band (0 = nothing) of intervals at rest [A, B + 1]."""
    steps = resting_gpm / step_gpm
    out = np.zeros((len(steps), BAND_COUNT + 1))
    rows = np.arange(len(steps))
    for k, part in ((np.floor(steps), 1 - steps % 1.0), (np.floor(steps) + 1, steps % 1.0)):
        np.add.at(out, (rows, band_of(k * step_gpm) + 1), _TRUST * part)
    out[:, 0] += 1 - _TRUST
    return out


@lru_cache(maxsize=64)
def _lattice(step_gpm: float) -> tuple[Array, Array]:
    """Odds of each shown band (0 = nothing) by true band, and the starting distribution."""
    shown = np.zeros((BAND_COUNT + 1, BAND_COUNT + 1))
    shown[0, 0] = 1.0
    inside = np.exp(
        np.linspace(-0.5, 0.5, _INSIDE) * np.log(BAND_EDGES_GPM[1] / BAND_EDGES_GPM[0])
    )
    for b, centre in enumerate(BAND_CENTRES_GPM):
        if centre > _STEPS * step_gpm:
            shown[b + 1, b + 1] = 1.0
            continue
        steps = centre * inside / step_gpm
        for k, part in ((np.floor(steps), 1 - steps % 1.0), (np.floor(steps) + 1, steps % 1.0)):
            np.add.at(shown[b + 1], band_of(k * step_gpm) + 1, _TRUST * part / len(inside))
        shown[b + 1, b + 1] += 1 - _TRUST
    width = np.diff(BAND_EDGES_GPM)
    start = np.concatenate([[0.0], np.where(_STEPS * step_gpm > BAND_CENTRES_GPM, width, 0.0)])
    start[0] = max(_REST_START * start.sum(), 1e-12)
    size = min(int((_STEPS * step_gpm >= BAND_CENTRES_GPM).sum()) + _MARGIN, BAND_COUNT) + 1
    return shown[:size, :size], start[:size] / start.sum()
