"""Posterior of an account's flow: joint samples, one block at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FlowPosterior:
    """Joint samples of actual flow, for A accounts, J samples, M meters, B bands.

    Sample j of every array belongs together, and all are as likely: odds are computed by
    counting samples. Low and high bound a 90 % interval and never leave the model-free
    envelope.
    """

    actual_gal_per_year: Array  # [J, A]
    registered_gal_per_year: Array  # [J, A, M] what each catalog meter would register
    installed_gal_per_year: Array  # [J, A] what the installed meter registers
    peak_10s_gpm: Array  # [J, A]
    peak_1min_gpm: Array  # [J, A]
    sustained_60min_gpm: Array  # [J, A] 60-min mean exceeded 0.5 % of the time
    unseen_gal_per_year: Array  # [J, A] passed below the installed meter's start
    low_flow_share: Array  # [J, A] actual volume below the installed meter's normal minimum
    time_share: Array  # [A, B] best estimate, share of time by band of instantaneous flow
    actual_volume_share: Array  # [A, B]
    actual_volume_share_low: Array  # [A, B]
    actual_volume_share_high: Array  # [A, B]
    registered_envelope_low: Array  # [A, M] model-free bound [gal per year]
    registered_envelope_high: Array  # [A, M]
    known_curve_gal_per_year: Array | None = None
    """[J, A, M] as `registered_gal_per_year`, every meter by its catalog curve as it stands:
    what a log of flows can tell apart. None where curves are not drawn."""
    steady_unseen_gal_per_year: Array | None = None
    """[J, A] of the unseen volume, what ran steadily with no use above it. None where steady
    flow is not told apart: all of the unseen volume may then be steady."""
    installed_test_ratio: Array | None = None
    """[J, A, 3] registration of the installed meter at the flows of an accuracy test: minimum,
    intermediate, maximum. None where its curve is not drawn."""

    def rows(self, accounts: NDArray[np.bool_]) -> FlowPosterior:
        """Those of some accounts."""

        def cut(name: str, value: Array) -> Array:
            return np.asarray(value[accounts] if name in BY_ACCOUNT else value[:, accounts])

        return self._each(cut)

    def with_more(self, more: FlowPosterior) -> FlowPosterior:
        """These samples and, behind them, more of the same accounts.

        What is a mean over samples is weighed by their numbers; ends of shares and the
        envelope are the wider of the two.
        """
        ours, theirs = len(self.peak_10s_gpm), len(more.peak_10s_gpm)

        def joined(name: str, value: Array) -> Array:
            other: Array = getattr(more, name)
            if name not in BY_ACCOUNT:
                return np.concatenate([value, other], axis=0)
            if name.endswith("_low"):
                return np.asarray(np.minimum(value, other))
            if name.endswith("_high"):
                return np.asarray(np.maximum(value, other))
            return np.asarray((ours * value + theirs * other) / (ours + theirs))

        return self._each(joined)

    def _each(self, change: Callable[[str, Array], Array]) -> FlowPosterior:
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(self, **{k: change(k, v) for k, v in values.items() if v is not None})


BY_ACCOUNT: Final = frozenset(
    {
        "time_share",
        "actual_volume_share",
        "actual_volume_share_low",
        "actual_volume_share_high",
        "registered_envelope_low",
        "registered_envelope_high",
    }
)
"""Fields without a sample axis."""
