"""Value of each kind of learning at each account of a chunk."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.posterior import FlowPosterior
from rightsize.knowing.expected_gain import Gain, expected_gain
from rightsize.knowing.kinds import KINDS, SHOWS_PEAK, Errors
from rightsize.knowing.observed import Drawn, is_possible, observed
from rightsize.meters.arrays import meter_arrays
from rightsize.recommend.case import Case
from rightsize.recommend.learning.open_accounts import OpenAccounts
from rightsize.recommend.learning.rules_again import RulesAgain, true_value_usd
from rightsize.settings import Thresholds

Array = NDArray[np.float64]
Index = NDArray[np.int64]

_MIN_PER_YEAR: Final = 365 * 24 * 60  # of a year's volume, as `infer` annualizes
_BATCH: Final = 64  # [accounts] their [P, T, J] stay in a processor's cache
_WIDTHS: Final = (2, 4, 8, 16)  # [meters] accounts are worked with others of like width


@dataclass(frozen=True)
class Learning:
    """Rows: one a kind of learning that may change the decision of an account."""

    account: Index  # row of the chunk
    kind: Index  # place in KINDS
    gain_usd: Array
    odds_of_other: Array
    meter: Index  # meter that it would most often lead to; -1 keeps the installed one


def errors_of(limits: Thresholds) -> Errors:
    """Errors of measurement as the thresholds have them."""
    return Errors(
        peak_of_log_share=limits.log_peak_error_share,
        sustained_of_log_share=limits.log_sustained_error_share,
        registration_of_log_share=limits.log_volume_error_share,
        low_flow_of_log_share=limits.log_low_flow_error_share,
        night_flow_share=limits.night_flow_error_share,
        floor_fps=limits.clamp_on_floor_fps,
        test_share=limits.accuracy_test_error_share,
        peak_of_finer_share=limits.finer_peak_error_share,
        low_flow_of_finer_share=limits.finer_low_flow_error_share,
        peak_of_register_share=limits.peak_register_error_share,
        finer_interval_min=limits.finer_interval_min,
    )


def drawn_at(case: Case, posterior: FlowPosterior, rows: slice, account: Index) -> Drawn:
    """What may be measured at some accounts of a chunk, in every sample."""
    at = np.arange(case.block.size)[rows][account]
    actual = np.maximum(posterior.actual_gal_per_year[:, at], 1e-9)
    steady = posterior.steady_gpm
    if steady is None:  # nothing else tells of it than what passes unseen
        steady = posterior.unseen_gal_per_year / _MIN_PER_YEAR
    line = case.sites.service_line_in[at]
    size = meter_arrays(case.catalogue.meters).size_in[case.meter_index[at]]
    tested = posterior.installed_test_ratio
    return Drawn(
        peak_gpm=posterior.peak_10s_gpm[:, at],
        sustained_gpm=posterior.sustained_60min_gpm[:, at],
        steady_gpm=steady[:, at],
        registration=posterior.installed_gal_per_year[:, at] / actual,
        low_flow_share=posterior.low_flow_share[:, at],
        test_ratio=None if tested is None else tested[:, at],
        pipe_in=np.where(np.isfinite(line), line, size),
        interval_min=case.block.interval_min[at],
        has_peak_register=np.isfinite(case.block.peak_register_gpm[at]),
    )


def value_of_learning(case: Case, rows: slice, accounts: OpenAccounts | None) -> Learning:
    """Expected gain of every kind of learning at the open accounts of a chunk."""
    if accounts is None or accounts.net_usd.shape[1] < 2:  # one sample: all is known
        return _joined([])
    width = accounts.is_there.sum(axis=1)
    parts = []
    for low, high in zip((0, *_WIDTHS), _WIDTHS, strict=False):
        mine = np.flatnonzero((width > low) & (width <= high))
        for start in range(0, len(mine), _BATCH):
            batch = accounts.rows(mine[start : start + _BATCH], high)
            parts.extend(_of_batch(case, rows, batch))
    return _joined(parts)


def _of_batch(case: Case, rows: slice, accounts: OpenAccounts) -> list[Learning]:
    limits, errors = case.thresholds, errors_of(case.thresholds)
    drawn = drawn_at(case, case.posterior, rows, accounts.account)
    rules = RulesAgain(accounts, limits)
    value = true_value_usd(accounts, overrun_usd=limits.wrong_size_cost_usd)
    found = []
    for number, kind in enumerate(KINDS):
        possible = is_possible(kind, drawn, errors)
        if kind not in limits.learning_kinds or not possible.any():
            continue
        gain = expected_gain(
            observed(kind, drawn, errors).groups,
            value,
            accounts.present,
            partial(rules.choose, shows_peak=kind in SHOWS_PEAK),
        )
        found.append(_rows(accounts, number, gain, possible))
    return found


def _rows(
    accounts: OpenAccounts, kind: int, gain: Gain, possible: NDArray[np.bool_]
) -> Learning:
    mine = np.flatnonzero(possible & (gain.odds_of_other > 0))
    option = gain.other[mine]
    meter = accounts.meter[mine, np.maximum(option - 1, 0)]
    return Learning(
        account=accounts.account[mine],
        kind=np.full(len(mine), kind),
        gain_usd=gain.usd[mine],
        odds_of_other=gain.odds_of_other[mine],
        meter=np.where(option > 0, meter, -1),
    )


def _joined(parts: list[Learning]) -> Learning:
    none = np.zeros(0, dtype=np.int64)
    empty = Learning(none, none, np.zeros(0), np.zeros(0), none)
    whole: dict[str, Any] = {
        f.name: np.concatenate([getattr(p, f.name) for p in (empty, *parts)])
        for f in fields(Learning)
    }
    order = np.lexsort((whole["kind"], whole["account"]))
    return Learning(**{name: column[order] for name, column in whole.items()})
