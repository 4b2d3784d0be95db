"""Curves from a utility's own accuracy tests, shrunk toward its other tests.

Empirical Bayes on the relative errors at the knots of the curve, in three levels: the type,
the group (type, size and age band) and the meter. A meter with many tests keeps its own
curve; one with few or none is shrunk toward its group, a group with few toward its type; a
type without tests follows the in-service prior of `registration_samples`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio
from rightsize.meters.uncertainty.curve_samples import in_service_errors
from rightsize.meters.uncertainty.knots import KNOT_COUNT, bent_meter, knot_weights

Array = NDArray[np.float64]

AGE_BANDS_YEARS: Final = (0.0, 5.0, 10.0, 15.0, 20.0)
"""Lower ends of the age bands (our convention)."""
BENCH_SD: Final = 0.005
"""Repeatability of a field test as a standard deviation of the ratio (common practice)."""
TYPE_SD: Final = 0.05
"""What a whole type may stand off the generic errors, before any test (our convention)."""
GROUP_SD: Final = 0.03
"""What a group may stand off its type, before any test (our convention)."""
PRIOR_METERS: Final = 6.0
"""Meters' worth of trust in the generic spread between meters (our convention)."""
PRIOR_GROUPS: Final = 2.0
"""Groups' worth of trust in `GROUP_SD` (our convention)."""
ROUNDS: Final = 25


@dataclass(frozen=True)
class AccuracyTests:
    """Test points of meters in service, one row per flow; in any order.

    `ratio` is registered over actual volume.
    """

    meter_id: tuple[str, ...]
    meter_index: NDArray[np.int64]  # row of the meter in the catalog
    age_years: Array
    flow_gpm: Array
    ratio: Array

    def __post_init__(self) -> None:
        rows = len(self.meter_id)
        for name in ("meter_index", "age_years", "flow_gpm", "ratio"):
            if getattr(self, name).shape != (rows,):
                raise ValueError(f"{name}: must have {rows:,} rows, as meter_id has")
        if rows and not (self.flow_gpm > 0).all():
            raise ValueError(f"flow_gpm: must be above 0; got {self.flow_gpm.min():g}")
        if rows and not ((self.ratio >= 0) & (self.ratio <= 2)).all():
            raise ValueError("ratio: must be registered over actual volume, from 0 to 2")


@dataclass(frozen=True)
class ShrunkCurves:
    """Test results for each tested meter and for untested meters of each group."""

    meter_id: tuple[str, ...]
    meter_index: NDArray[np.int64]
    error: Array  # [K, 3] mean relative error at the knots
    covariance: Array  # [K, 3, 3]
    group_error: dict[tuple[int, int], Array]  # (catalog row, age band) -> [3]
    group_covariance: dict[tuple[int, int], Array]  # for an untested meter of the group
    group_count: dict[tuple[int, int], int]  # tested meters

    def meter(self, row: int, meters: Sequence[Meter]) -> Meter:
        """The catalog's meter with the curve of the tested meter in this row."""
        return bent_meter(meters[int(self.meter_index[row])], self.error[row])


def age_band(age_years: Array) -> NDArray[np.int64]:
    """Row of the age band each age falls in."""
    edges = np.asarray(AGE_BANDS_YEARS)
    return np.searchsorted(edges, np.asarray(age_years), side="right").clip(1) - 1


def shrunk_curves(
    tests: AccuracyTests, meters: Sequence[Meter], *, bench_sd: float = BENCH_SD
) -> ShrunkCurves:
    """Curves of tested meters and of their groups.

    Parameters
    ----------
    tests : AccuracyTests
        Three or more flows a meter serve best; one is taken too.
    meters : sequence of Meter
        The catalog's meters that `tests.meter_index` points to.
    bench_sd : float
        Standard deviation of one test's ratio [1]; near 0 lets tests override the curve.

    Notes
    -----
    A test below the generic starting flow, or inside a compound's changeover band, says
    nothing of the knots and is passed over. Spread between meters and between groups is
    estimated by type (expectation-maximization, `ROUNDS` rounds), with `PRIOR_METERS`
    meters' worth of trust in the generic in-service spread and `PRIOR_GROUPS` groups' worth in
    `GROUP_SD`. Rounds begin with groups apart, so that what the meters of a group share is
    laid to the group.

    References
    ----------
    Empirical Bayes for normal means: Efron and Morris, J. Am. Stat. Assoc. 70(350), 1975
    (from memory, high trust; the method, no numbers).
    """
    ids, first, row_of = np.unique(
        np.array(tests.meter_id, dtype=object), return_index=True, return_inverse=True
    )
    index = tests.meter_index[first]
    information, score = _knot_evidence(tests, meters, row_of, len(ids), bench_sd)
    band = age_band(tests.age_years[first])
    group_of = [(int(i), int(b)) for i, b in zip(index, band, strict=True)]
    types = np.array([meters[i].meter_type for i in index], dtype=object)
    error = np.zeros((len(ids), KNOT_COUNT))
    covariance = np.zeros((len(ids), KNOT_COUNT, KNOT_COUNT))
    group_error: dict[tuple[int, int], Array] = {}
    group_covariance: dict[tuple[int, int], Array] = {}
    for kind in dict.fromkeys(types):
        rows = np.flatnonzero(types == kind)
        prior = [in_service_errors(meters[i]) for i in index[rows]]
        fit = _fit_type(
            _Evidence(information[rows], score[rows], [group_of[r] for r in rows]),
            generic=np.array([mean for mean, _ in prior]),
            prior_spread=np.mean([spread for _, spread in prior], axis=0),
        )
        error[rows], covariance[rows] = fit.meter_error, fit.meter_covariance
        group_error |= fit.group_error
        group_covariance |= fit.group_covariance
    return ShrunkCurves(
        tuple(str(i) for i in ids),
        index,
        error,
        covariance,
        group_error,
        group_covariance,
        dict(Counter(group_of)),
    )


def _knot_evidence(
    tests: AccuracyTests,
    meters: Sequence[Meter],
    row_of: NDArray[np.int64],
    count: int,
    bench_sd: float,
) -> tuple[Array, Array]:
    """Information [K, 3, 3] and score [K, 3] of each meter's knot errors."""
    information = np.zeros((count, KNOT_COUNT, KNOT_COUNT))
    score = np.zeros((count, KNOT_COUNT))
    for index in np.unique(tests.meter_index):
        meter = meters[int(index)]
        rows = np.flatnonzero(tests.meter_index == index)
        rows = rows[_tells_of_knots(tests.flow_gpm[rows], meter)]
        curve = registration_ratio(tests.flow_gpm[rows], meter)
        weight = knot_weights(tests.flow_gpm[rows], meter).T
        sd = bench_sd / curve
        deviation = tests.ratio[rows] / curve - 1
        outer = weight[:, :, None] * weight[:, None, :] / sd[:, None, None] ** 2
        np.add.at(information, row_of[rows], outer)
        np.add.at(score, row_of[rows], weight * (deviation / sd**2)[:, None])
    return information, score


def _tells_of_knots(flow_gpm: Array, meter: Meter) -> NDArray[np.bool_]:
    usable = registration_ratio(flow_gpm, meter) > 0
    if meter.compound is not None:
        parts = meter.compound
        falling, rising = parts.changeover_falling_gpm, parts.changeover_rising_gpm
        usable &= (flow_gpm < falling) | (flow_gpm > rising)
    return usable


@dataclass(frozen=True)
class _Evidence:
    """Test information on the knots of the K meters of one type, and their groups."""

    information: Array  # [K, 3, 3]
    score: Array  # [K, 3]
    group_of: list[tuple[int, int]]


@dataclass(frozen=True)
class _TypeFit:
    meter_error: Array
    meter_covariance: Array
    group_error: dict[tuple[int, int], Array]
    group_covariance: dict[tuple[int, int], Array]


def _fit_type(told: _Evidence, *, generic: Array, prior_spread: Array) -> _TypeFit:
    """Errors of one type's groups and meters about the generic in-service ones [K, 3].

    `prior_spread` [3, 3] is the generic spread between meters of a group.
    """
    groups = list(dict.fromkeys(told.group_of))
    member = np.array([groups.index(g) for g in told.group_of])
    information = told.information
    score = told.score - np.einsum("kij,kj->ki", information, generic)
    spread, group_prior = prior_spread, prior_spread + _alike(GROUP_SD)
    apart = group_prior
    for _ in range(ROUNDS):
        found = _group_shifts(information, score, member, spread, apart, prior_spread)
        shift, shift_cov = found.shift, found.covariance
        offset, offset_cov = _meter_offsets(information, score, shift[member], spread)
        moment = offset_cov + offset[:, :, None] * offset[:, None, :]
        total = moment.sum(axis=0) + PRIOR_METERS * prior_spread
        spread = total / (len(member) + PRIOR_METERS)
        apart = (found.moment + PRIOR_GROUPS * group_prior) / (len(groups) + PRIOR_GROUPS)
    lean = np.eye(KNOT_COUNT) - offset_cov @ information
    first = {g: generic[told.group_of.index(g)] for g in groups}
    return _TypeFit(
        meter_error=generic + shift[member] + offset,
        meter_covariance=offset_cov + lean @ shift_cov[member] @ lean.swapaxes(1, 2),
        group_error={g: first[g] + shift[n] for n, g in enumerate(groups)},
        group_covariance={g: spread + shift_cov[n] for n, g in enumerate(groups)},
    )


def _alike(sd: float) -> Array:
    """Covariance of an offset that the knots of a curve have half in common."""
    result: Array = sd**2 * (np.eye(KNOT_COUNT) + np.ones((KNOT_COUNT, KNOT_COUNT))) / 2
    return result


@dataclass(frozen=True)
class _Groups:
    shift: Array  # [G, 3] of each group about the generic errors
    covariance: Array  # [G, 3, 3]
    moment: Array  # [3, 3] sum over groups of the second moment about their type


def _group_shifts(
    information: Array,
    score: Array,
    member: NDArray[np.int64],
    spread: Array,
    apart: Array,
    prior_spread: Array,
) -> _Groups:
    """Shifts of the G groups, whose spread about their type is `apart` [3, 3].

    Meters are integrated out for the evidence on each group, groups for the evidence on the
    type.
    """
    one = np.eye(KNOT_COUNT)
    count = int(member.max()) + 1
    keep = one - information @ np.linalg.inv(np.linalg.inv(spread) + information)
    group_info = np.zeros((count, KNOT_COUNT, KNOT_COUNT))
    group_score = np.zeros((count, KNOT_COUNT))
    np.add.at(group_info, member, keep @ information)
    np.add.at(group_score, member, np.einsum("kij,kj->ki", keep, score))
    within = np.linalg.inv(np.linalg.inv(apart) + group_info)
    keep = one - group_info @ within
    type_prior = np.linalg.inv(prior_spread + _alike(TYPE_SD))
    type_cov = np.linalg.inv((keep @ group_info).sum(axis=0) + type_prior)
    type_shift = type_cov @ np.einsum("gij,gj->i", keep, group_score)
    rest = group_score - group_info @ type_shift
    offset: Array = np.einsum("gij,gj->gi", within, rest)
    drawn = within @ group_info  # what of an error of the type a group's offset takes up
    lean = one - drawn
    about = within + drawn @ type_cov @ drawn.swapaxes(1, 2)
    moment: Array = (about + offset[:, :, None] * offset[:, None, :]).sum(axis=0)
    covariance: Array = within + lean @ type_cov @ lean.swapaxes(1, 2)
    return _Groups(type_shift + offset, covariance, moment)


def _meter_offsets(
    information: Array, score: Array, shift: Array, spread: Array
) -> tuple[Array, Array]:
    """Offset of each meter from its group [K, 3] and its covariance [K, 3, 3]."""
    covariance = np.asarray(np.linalg.inv(np.linalg.inv(spread) + information), np.float64)
    rest = score - np.einsum("kij,kj->ki", information, shift)
    offset: Array = np.einsum("kij,kj->ki", covariance, rest)
    return offset, covariance
