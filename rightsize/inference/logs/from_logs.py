"""Where logs enter the inference: steady flow, flows, level and peaks of logged accounts.

Every method returns what it was given where no account of the block is logged.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_CENTRES_GPM
from rightsize.flow_logs.shown import LogShown, hourly
from rightsize.inference import sobol
from rightsize.inference.logs import logged_flow
from rightsize.inference.logs.logged_curve import rank_given_log
from rightsize.inference.logs.logged_flow import LoggedAccounts, logged_accounts
from rightsize.inference.logs.logged_peak import logged_peak
from rightsize.inference.meter.held_meters import HeldMeters
from rightsize.inference.meter.registered_table import RegisteredTable
from rightsize.inference.spread import Flow, Reads, spread
from rightsize.inference.water_use.kernels import Kernel
from rightsize.inference.water_use.use_edges import UseEdges

Array = NDArray[np.floating[Any]]
_SEED_STEP: Final = 32452843  # another stream than that of the reads' samples
_NOISES: Final = ("level", "peak")
_LEAST_RATIO: Final = 0.5  # [1] of a flow that a meter is worth inverting at: convention


@dataclass(frozen=True)
class Spreading:
    """What `spread` is asked with, of one block."""

    band: NDArray[np.int64]  # [J, A]
    kernels: tuple[Kernel, ...]
    kernel: NDArray[np.int64]  # [J, A]
    steady_gpm: Array  # [J, A]
    edges: UseEdges
    table: RegisteredTable
    installed: NDArray[np.int64]  # [J, A]

    def of(self, rows: NDArray[np.int64]) -> Spreading:
        """That of some accounts."""
        edges = UseEdges(*(part[:, rows] for part in vars(self.edges).values()))
        return Spreading(
            self.band[:, rows],
            self.kernels,
            self.kernel[:, rows],
            self.steady_gpm[:, rows],
            edges,
            self.table,
            self.installed[:, rows],
        )


@dataclass(frozen=True)
class Logs:
    """What logs show, by meter; a block takes those of its own."""

    known: Mapping[str, LogShown]
    seed: int

    def by_hours(self) -> Logs:
        """The same by hours, for reads that are taken by hours."""
        return replace(self, known={name: hourly(log) for name, log in self.known.items()})

    def _of(self, block: ProfileBlock) -> LoggedAccounts | None:
        return logged_accounts(block.meter_id, self.known)

    def own_meter(
        self,
        own_rank: Array,
        block: ProfileBlock,
        ground: RegisteredTable,
        is_told: NDArray[np.bool_],
        age_years: Array,
    ) -> Array:
        """Which meter of its entry and age each account holds [J, A], given logs of the pipe.

        Where a test or a stated wear tells the curve (`is_told`), it stays as it is.
        """
        if (logged := self._of(block)) is None:
            return own_rank
        out = own_rank.copy()
        for k, log in zip(logged.row.tolist(), logged.shown, strict=True):
            if log.measures == "pipe" and not is_told[k]:
                entry = int(block.meter_index[k])
                age = float(age_years[k])
                out[:, k] = rank_given_log(own_rank[:, k], log, ground, entry, age)
        return out

    def steady(self, steady_gpm: Array, block: ProfileBlock, held: HeldMeters) -> Array:
        """Continuous flow [J, A]."""
        if (logged := self._of(block)) is None:
            return steady_gpm
        return logged_flow.logged_steady(
            steady_gpm, logged, held.sampled_start_gpm, block.meter_id, seed=self.seed
        )

    def flow(
        self, flow: Flow, reads: Reads, how: Spreading, block: ProfileBlock, held: HeldMeters
    ) -> Flow:
        """Share of time by flow."""
        if (logged := self._of(block)) is None:
            return flow
        like = logged_flow.like_means(logged)
        rest_reads = logged_flow.unlike_reads(reads, logged, like)
        rest = spread(rest_reads, **vars(how.of(logged.row)))
        return logged_flow.with_logged(
            flow,
            rest,
            reads,
            logged,
            like,
            _actual(logged, BAND_CENTRES_GPM, held),
            block.meter_id,
            seed=self.seed,
        )

    def scale(self, scale: Array, block: ProfileBlock) -> Array:
        """Factor from the flows to the year's volume [J, A]."""
        if (logged := self._of(block)) is None:
            return scale
        return logged_flow.level(scale, logged, self._noise(block, "level", len(scale)))

    def peaks(
        self,
        peak_gpm: Array,
        minute_gpm: Array,
        block: ProfileBlock,
        held: HeldMeters,
        most_gpm: Array,
    ) -> tuple[Array, Array]:
        """Peaks of 10 s and of a minute [J, A]."""
        if (logged := self._of(block)) is None:
            return peak_gpm, minute_gpm
        top = np.array([log.peak_gpm for log in logged.shown])
        ratios = [
            None if actual is None else actual[:, k] / max(top[k], 1e-9)
            for k, actual in enumerate(_actual(logged, top, held))
        ]
        noise = self._noise(block, "peak", len(peak_gpm))
        peak = logged_peak(peak_gpm, minute_gpm, block, logged, ratios, noise)
        peak = np.minimum(peak, most_gpm)
        return peak, np.minimum(minute_gpm * peak / np.maximum(peak_gpm, 1e-9), peak)

    def _noise(self, block: ProfileBlock, name: str, samples: int) -> Array:
        """Standard normal numbers for one purpose [J, A]."""
        uniform = sobol.uniforms(
            block.meter_id,
            count=samples,
            dimensions=len(_NOISES),
            seed=self.seed + _SEED_STEP,
        )
        return np.asarray(ndtri(uniform[..., _NOISES.index(name)]))


def _actual(
    logged: LoggedAccounts, registered_gpm: Array, held: HeldMeters
) -> list[Array | None]:
    """Actual flow of registered flows [J, F] for each log of the meter's own pulses."""
    out: list[Array | None] = []
    for row, log in zip(logged.row, logged.shown, strict=True):
        if log.measures == "pipe":
            out.append(None)
            continue
        start = held.sampled_start_gpm[:, row]
        flow = np.maximum(registered_gpm[None], start[:, None]).astype(np.float32)
        shown = held.table.registered_gpm(flow, held.row[:, [row]])
        ratio = np.maximum(shown / np.maximum(flow, 1e-9), _LEAST_RATIO)
        out.append(np.asarray(registered_gpm[None] / ratio))
    return out
