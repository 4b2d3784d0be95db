"""Fleets whose sites can be logged: every site with a log of two weeks, to be used or not.

A log is what a clamp-on would bring back: the flow every 10 s, out by its level, over fourteen
days at a time of the crew's choice (irrigation in its season), and the reads of those days.

    python -m tests.fleets.logged simulated:601      # what logs of a tenth of the sites bring
    python -m tests.fleets.logged 0.2 simulated:601  # of a fifth

What is lost after the logs is told by where: at sites without a log whose log would win it, and
at sites with one. Beside it stand what logs of all sites bring, the best choice of as many in
hindsight, and what the same rules reach when every flow is known and no meter's own curve.
"""

from __future__ import annotations

import inspect
import sys
from dataclasses import dataclass

import numpy as np
import polars as pl

from rightsize.flow_logs.flow_log import FlowLog, RegisterReads
from rightsize.flow_logs.shown import shown
from tests.fleets import judge, reduce
from tests.fleets.fleet import ALL_WRONG, registered_flow, simulate_fleet
from tests.fleets.kept import kept
from tests.fleets.recorded import recorded_fleet
from tests.fleets.scorecard import infer_fleet
from tests.fleets.simulate import DAYS
from tests.fleets.sites import Z90
from tests.fleets.unseen import knowing_all_else

LOG_DAYS = 14
ERROR_SHARE = 0.02  # half a 90 % range of the level
DAY_STEPS = 8640
LOGGED_SHARE = 0.1
ROUNDS = 2  # of a campaign: the second knows what the first brought


def log_of(site, flow, held, step_gal, interval_min, rng):
    """What a log of two weeks shows at a site."""
    first = _first_day(site, rng)
    part = flow[first * DAY_STEPS : (first + LOG_DAYS) * DAY_STEPS].astype(np.float64)
    volume = reduce.reads_of(
        registered_flow(part.astype(np.float32), held), interval_min=interval_min,
        resolution_gal=step_gal,
    )  # fmt: skip
    start = first * 86_400.0
    reads = RegisterReads(
        start + 60.0 * interval_min * np.arange(len(volume)),
        np.full(len(volume), 60.0 * interval_min), volume, step_gal,
    )  # fmt: skip
    level = np.exp(ERROR_SHARE / Z90 * rng.standard_normal())
    log = FlowLog(
        start + 10.0 * np.arange(len(part)), 10.0, part * level / 6, "pipe", ERROR_SHARE
    )
    return shown(log, reads)


def _first_day(site, rng):
    zones = getattr(site, "zones", None)
    low, high = 0, DAYS - LOG_DAYS
    if zones is not None:
        middle = (zones.from_day + zones.to_day) // 2
        low, high = max(middle - 30, 0), min(middle + 30, DAYS - LOG_DAYS)
    return int(rng.integers(low, high))


def logged_fleet(kind, seed, meters, *, per_kind=None, interval=60.0):
    """Truth, block and logs by meter of a fleet; as `calibration.fleet` makes it."""

    def make():
        logs = []
        rng = np.random.default_rng([seed, 99])

        def keep(number, site, flow, held, step_gal):
            logs.append(log_of(site, flow, held, step_gal, interval, rng))

        common = {"meters": meters, "intervals": (interval,), "keep": keep}
        if kind == "recorded":
            truth, blocks = recorded_fleet("judge", seed, per_kind=per_kind or 12, **common)
        elif kind == "recorded_set":
            truth, blocks = recorded_fleet("set", seed, per_kind=per_kind or 12, **common)
        else:
            wrongs = {"wrongs": ALL_WRONG} if kind == "wrong" else {}
            truth, blocks = simulate_fleet(
                seed, sites_per_kind=per_kind or 5, **common, **wrongs
            )
        block = blocks[interval]
        return truth, block, dict(zip(block.meter_id, logs, strict=True))

    source = "".join(
        inspect.getsource(part) for part in (log_of, sys.modules["rightsize.flow_logs.shown"])
    )
    return kept(make, "logged", kind, seed, per_kind, interval, meters, source)


def campaign(block, meters, posterior, known, room):
    """Sites that two weeks of logging are worth most at, at most so many.

    By the value of knowing; where a person decides it has none, so by the value of a log.
    """
    decision = judge.decision_of(block, posterior, meters, known)
    rows = decision.recommendation.with_row_index("place")
    worth = decision.value_of_knowing.filter(pl.col("kind") == "flow_logging")
    value = rows.join(worth.select("meter_id", "net_usd"), on="meter_id", how="left").sort(
        "place"
    )
    told = pl.col("expected_value_of_logging_usd").fill_nan(None)
    value = value.select(pl.coalesce("net_usd", told).fill_null(-np.inf)).to_series()
    value = value.to_numpy().copy()
    value[[k for k, m in enumerate(block.meter_id) if m in known]] = -np.inf
    return [int(k) for k in np.argsort(-value)[:room] if value[k] > 0]


@dataclass
class Logged:
    """A fleet decided by its reads, and again with the logs of a campaign."""

    before: dict
    after: dict
    logged: list[int]
    oracle_usd: float

    @property
    def costs_usd(self):
        """Cost of the logs."""
        return len(self.logged) * judge.THRESHOLDS.logging_cost_usd


def logged_first(kind, seed, meters, priors, *, share=LOGGED_SHARE, rounds=ROUNDS, **more):
    """Decide a fleet, log at most a share of its sites in rounds, decide it anew each time.

    A later round knows what the earlier ones brought, also of the classes.
    """
    truth, block, logs = logged_fleet(kind, seed, meters, **more)
    oracle = judge.oracle_of(truth, block, meters)
    posterior = infer_fleet(block, meters, priors)
    before = realised(truth, block, meters, posterior, oracle, ())
    known: dict = {}
    most = int(share * block.size)
    for number in range(rounds):
        room = most * (number + 1) // rounds - len(known)
        rows = campaign(block, meters, posterior, known, room)
        known |= {block.meter_id[k]: logs[block.meter_id[k]] for k in rows}
        posterior = infer_fleet(block, meters, priors, logs=known)
    after = realised(truth, block, meters, posterior, oracle, known)
    return Logged(
        before, after, [k for k, m in enumerate(block.meter_id) if m in known],
        float(oracle.best_usd.sum()),
    )  # fmt: skip


def realised(truth, block, meters, posterior, oracle, known):
    """Scores of what is decided now, once no more logs come.

    A meter that needs a log since only its inferred peak is too large counts as kept.
    """
    decision = judge.decided(block, posterior, meters, known, more_logs=False)
    decision.logged[:] = False
    return judge.scores(truth, block, meters, posterior, decision, oracle)


def ceilings(kind, seed, meters, priors, found, *, share=LOGGED_SHARE, **more):
    """True net benefit that other knowledge reaches at a fleet, and where the rest is lost."""
    truth, block, logs = logged_fleet(kind, seed, meters, **more)
    oracle = judge.oracle_of(truth, block, meters)
    every = infer_fleet(block, meters, priors, logs=logs)
    all_logged = realised(truth, block, meters, every, oracle, logs)["gained"]
    before, after = found.before["gained"], found.after["gained"]
    best = np.sort(all_logged - before)[::-1][: int(share * block.size)].sum()
    known = judge.gained_by_flow_and_spread(truth, block, meters, oracle, makes=True)[0]
    is_logged = np.isin(np.arange(block.size), found.logged)
    return {
        "best": oracle.best_usd.sum(),
        "without logs": before.sum(),
        "with them": after.sum(),
        "best as many in hindsight": before.sum() + best,
        "all logged": all_logged.sum(),
        "flow known, same rules": known.sum(),
        "all known but what no read shows, as many logs": _knowing_all_else(
            truth, block, meters, oracle, int(share * block.size)
        ),
        "lost at sites without a log": (all_logged - after)[~is_logged].sum(),
        "lost at sites with one": (oracle.best_usd - after)[is_logged].sum(),
    }


def _knowing_all_else(truth, block, meters, oracle, logs):
    """True net benefit by the same rules of who lacks only a site's own unseen steady flow.

    Knows every flow to 10 s and the law that leaks were planted by; a log then tells the rest.
    """
    posterior = knowing_all_else(truth, block, meters)
    gained = realised(truth, block, meters, posterior, oracle, ())["gained"].copy()
    rows = campaign(block, meters, posterior, (), logs)
    gained[rows] = oracle.best_usd[rows]
    return gained.sum()


def main():
    """Figures of every fleet, and of all together."""
    from pipelines.configuration.load_catalogue import load_catalogue
    from pipelines.configuration.load_priors import load_priors

    meters, priors, names = tuple(load_catalogue().meters), load_priors(), sys.argv[1:]
    share = float(names.pop(0)) if ":" not in names[0] else LOGGED_SHARE
    rounds, total = max(ROUNDS, round(share / 0.05)), {}
    for name in names:
        kind, seed = name.split(":")
        found = logged_first(kind, int(seed), meters, priors, share=share, rounds=rounds)
        sums = ceilings(kind, int(seed), meters, priors, found, share=share)
        sums["logs"] = len(found.logged)
        total = {key: total.get(key, 0) + value for key, value in sums.items()}
        after = found.after
        print(
            f"{name}: {_text(sums)}, overrun {found.before['overrun']} -> {after['overrun']},"
            f" gain in {after['gain_in_pct']:.0f} %, peak in {after['peak_in_pct']:.0f} %",
            flush=True,
        )
    print("all:", _text(total))


def _text(sums):
    """Sums in percent of the best choices."""
    told = {key: 100 * value / sums["best"] for key, value in sums.items()}
    shown = (f"{key} {told[key]:.1f}" for key in sums if key not in ("best", "logs"))
    return f"{sums['logs']} logs, {', '.join(shown)} %"


if __name__ == "__main__":
    main()
