"""Calibration of promises: what was promised against what came, over all cases.

Both are shares of the use before. What came is regressed on what was promised, as a promise
foretells what comes, with weights of its measured error and of the spread between cases.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from rightsize.errors import ContractError
from rightsize.verify.panel import Array, Bools

INTERVAL_SHARE: Final = 0.90
INTERVAL_REACH: Final = float(stats.norm.ppf(0.5 + INTERVAL_SHARE / 2))
LEAST_CASES: Final = (
    8  # a line, its spread and a test of both need more than a few cases (ours)
)
SIGNIFICANT_SHARE: Final = 0.05  # common practice
ROUNDS: Final = 50  # of the search for the spread between cases; it settles in a few


@dataclass(frozen=True)
class Promises:
    """Cases with a promise and an answer, as shares of the use before; all [C]."""

    promised_share: Array
    promised_low_share: Array
    promised_high_share: Array
    realised_share: Array
    realised_error: Array  # standard error of the realized share

    def check(self) -> None:
        """Refuse what is not a number, and errors of zero or less.

        Raises
        ------
        ContractError
            Names the column.
        """
        for name in self.__dataclass_fields__:
            if not np.isfinite(getattr(self, name)).all():
                raise ContractError(f"promises: {name} holds a value that is no number")
        if not (self.realised_error > 0).all():
            raise ContractError("promises: realised_error must be above zero")

    @property
    def promised_error(self) -> Array:
        """Standard error that the promise's 90 % interval stands for."""
        return (self.promised_high_share - self.promised_low_share) / (2 * INTERVAL_REACH)


@dataclass(frozen=True)
class Calibration:
    """How promises held. A perfect promise has bias 0, slope 1 and intercept 0."""

    case_count: int
    bias_share: float  # mean of realized less promised, weighted
    bias_low_share: float  # 90 % interval
    bias_high_share: float
    bias_probability: float  # of a bias as large if there is none (two-sided)
    slope: float
    slope_low: float
    slope_high: float
    intercept_share: float
    line_probability: float  # of a line as far from slope 1 and intercept 0 if promises hold
    covered_share: float  # of cases whose realized gain lies within both errors of the promise
    covered_low_share: float  # 90 % interval (Clopper, Pearson)
    covered_high_share: float
    between_share: float  # spread between cases beyond what their measured errors explain

    @property
    def is_over_promised(self) -> bool:
        """Whether less came than promised, beyond chance."""
        return self.bias_probability < SIGNIFICANT_SHARE and self.bias_share < 0


def calibration(promises: Promises) -> Calibration | None:
    """How the promises of all cases held; None with fewer than `LEAST_CASES`.

    Notes
    -----
    Weighted least squares with the heteroscedasticity-robust covariance HC1 and Student's t;
    the line is tested by the Wald F test of intercept and slope together. The spread between
    cases is the moment estimate of Paule and Mandel (1982; from memory).
    """
    promises.check()
    count = len(promises.promised_share)
    if count < LEAST_CASES:
        return None
    missed = promises.realised_share - promises.promised_share
    between = between_cases(missed, promises.realised_error)
    weight = 1 / (promises.realised_error**2 + between**2)
    bias, bias_low, bias_high, bias_probability = _bias(missed, weight)
    line = _line(promises, weight)
    within = np.abs(missed) <= INTERVAL_REACH * np.hypot(
        promises.realised_error, promises.promised_error
    )
    return Calibration(
        count, bias, bias_low, bias_high, bias_probability, *line, *_covered(within), between
    )


def between_cases(missed: Array, error: Array) -> float:
    """Spread between cases that their errors do not explain (Paule and Mandel)."""
    low, high = 0.0, float(np.var(missed) + np.mean(error**2))
    if _excess(missed, error, 0.0) <= 0:
        return 0.0
    for _ in range(ROUNDS):
        middle = (low + high) / 2
        low, high = (middle, high) if _excess(missed, error, middle) > 0 else (low, middle)
    return float(np.sqrt((low + high) / 2))


def _excess(missed: Array, error: Array, between: float) -> float:
    weight = 1 / (error**2 + between)
    mean = (weight * missed).sum() / weight.sum()
    return float((weight * (missed - mean) ** 2).sum() - (len(missed) - 1))


def _robust(design: Array, outcome: Array, weight: Array) -> tuple[Array, Array]:
    """Weighted least squares with the HC1 covariance."""
    root = np.sqrt(weight)
    x, y = design * root[:, None], outcome * root
    inverse = np.linalg.inv(x.T @ x)
    found = inverse @ x.T @ y
    score = x * (y - x @ found)[:, None]
    rows, columns = design.shape
    covariance = inverse @ (score.T @ score) @ inverse * rows / (rows - columns)
    return found, covariance


def _bias(missed: Array, weight: Array) -> tuple[float, float, float, float]:
    found, covariance = _robust(np.ones((len(missed), 1)), missed, weight)
    bias, error = float(found[0]), float(np.sqrt(covariance[0, 0]))
    freedom = len(missed) - 1
    reach = float(stats.t.ppf(0.5 + INTERVAL_SHARE / 2, freedom)) * error
    probability = float(2 * stats.t.sf(abs(bias) / error, freedom))
    return bias, bias - reach, bias + reach, probability


def _line(promises: Promises, weight: Array) -> tuple[float, float, float, float, float]:
    promised = promises.promised_share
    if np.ptp(promised) <= 0:
        return (np.nan,) * 5  # one promise for all: no line
    design = np.stack((np.ones(len(promised)), promised), axis=1)
    found, covariance = _robust(design, promises.realised_share, weight)
    freedom = len(promised) - 2
    reach = stats.t.ppf(0.5 + INTERVAL_SHARE / 2, freedom) * np.sqrt(covariance[1, 1])
    off = found - np.array([0.0, 1.0])
    wald = float(off @ np.linalg.solve(covariance, off)) / 2
    slope = float(found[1])
    return (
        slope,
        slope - reach,
        slope + reach,
        float(found[0]),
        float(stats.f.sf(wald, 2, freedom)),
    )


def _covered(within: Bools) -> tuple[float, float, float]:
    held, count = int(within.sum()), len(within)
    tail = (1 - INTERVAL_SHARE) / 2
    low = float(stats.beta.ppf(tail, held, count - held + 1)) if held else 0.0
    high = float(stats.beta.ppf(1 - tail, held + 1, count - held)) if held < count else 1.0
    return held / count, low, high
