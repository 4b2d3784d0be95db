"""Hold the product's own decision against a simulated fleet's truth.

The oracle knows what flowed and decides by the product's own rules: of cost, fit and rate, and
of what is worth a visit, which are a utility's policy and no matter of what is known. A site
sent to logging counts as the oracle's choice less the cost of the log; of those that the
product would log, the most valuable fifth of the fleet is.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import polars as pl

from rightsize.contracts.sites import SiteBlock
from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT, BAND_EDGES_GPM
from rightsize.inference.posterior import BY_ACCOUNT, FlowPosterior
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.curve import registration_matrix
from rightsize.recommend.case import prepare
from rightsize.recommend.choose import decide
from rightsize.recommend.weigh import benefit_samples
from rightsize.settings import Tariff, Thresholds
from tests.fleets import ground

YEAR = 365.25 / 365
LOGGED_SHARE = 0.2
NOT_DRAWN = ("known_curve_gal_per_year", "installed_test_ratio", "steady_gpm")
CURVES_TRIED = 32  # of each meter, where only their spread is known
SLACK_POINTS = 0.05  # a gain below it is none
# nothing is repaired there, and nothing wears
THRESHOLDS = Thresholds(spare_head_psi=40, count_leak_repair=False, count_wear=False)
TARIFF = Tariff.model_validate(
    {
        "classes": {
            "default": {
                "tiers": [
                    {"up_to_gal_per_month": 50000, "usd_per_kgal": 5.10},
                    {"usd_per_kgal": 6.40},
                ],
                "sewer_usd_per_kgal": 4.20,
                "sewer_return_share": 0.9,
            },
            "irrigation": {"tiers": [{"usd_per_kgal": 6.90}]},
        }
    }
)


@dataclass
class Oracle:
    """What each meter truly brings, and whether it truly fits, [A, M]."""

    net_usd: np.ndarray
    fits: np.ndarray
    best_usd: np.ndarray  # [A] of the best meter that fits, at least 0 (keep)
    best: np.ndarray  # [A] that meter, or the installed one


def site_block(block):
    """Plain sites: nothing is known but class and meter."""
    irrigation = [c == "irrigation" for c in block.customer_class]
    unknown = np.full(block.size, np.nan)
    return SiteBlock(
        service_kind=tuple("irrigation" if i else "domestic" for i in irrigation),
        customer_class=block.customer_class,
        service_line_in=unknown,
        spare_head_psi=unknown,
        is_critical=np.zeros(block.size, bool),
        area=(None,) * block.size,
        age_years=unknown,
        meter_index=block.meter_index,
    )


def certain(block, *, registered, actual, peak, sustained, installed=None):
    """A posterior of one draw: for the truth, and for whoever takes a guess for it."""
    if installed is None:
        installed = registered[np.arange(block.size), block.meter_index]
    one = {
        "actual_gal_per_year": actual[None],
        "registered_gal_per_year": registered[None],
        "installed_gal_per_year": installed[None],
        "peak_10s_gpm": peak[None],
        "peak_1min_gpm": peak[None],
        "sustained_60min_gpm": sustained[None],
        "registered_envelope_low": registered,
        "registered_envelope_high": registered,
    }
    bands = np.full((block.size, BAND_COUNT), 1 / BAND_COUNT)
    for field in fields(FlowPosterior):
        if field.name not in one and field.name not in NOT_DRAWN:
            per_account = "share" in field.name and field.name != "low_flow_share"
            one[field.name] = bands if per_account else np.zeros((1, block.size))
    return FlowPosterior(**one)


def truth_posterior(truth, block):
    """What is known after perfect logging."""
    return certain(
        block,
        registered=truth.registered_gal * YEAR,
        actual=truth.actual_gal * YEAR,
        peak=truth.peak_10s_gpm,
        sustained=truth.sustained_60min_gpm,
        installed=truth.installed_gal * YEAR,
    )


def interval_mean_posterior(block, meters):
    """The naive way: the interval's mean is the flow."""
    volume = block.band_gal
    return certain(
        block,
        registered=volume @ registration_matrix(meters, BAND_CENTRES_GPM).T,
        actual=volume.sum(axis=1),
        peak=block.max_interval_gpm,
        sustained=block.max_hour_gpm,
    )


def oracle_of(truth, block, meters):
    """The best that can be done, by the product's own economics and rules."""
    posterior = truth_posterior(truth, block)
    net, fits = (a[0] for a in _net_usd(block, posterior, meters))
    sites, catalogue = site_block(block), Catalogue(tuple(meters))
    known = decide(block, posterior, sites, catalogue, TARIFF, THRESHOLDS, units="us")
    best = _chosen(known.recommendation, block, meters)
    best_usd = np.maximum(net[np.arange(block.size), best], 0)
    return Oracle(net, fits, best_usd, best)


def _net_usd(block, posterior, meters):
    """Net benefit of every meter at every account by sample, and whether it fits [J, A, M]."""
    case = prepare(
        block, posterior, site_block(block), Catalogue(tuple(meters)), TARIFF, THRESHOLDS,
        units="us",
    )  # fmt: skip
    every = slice(0, block.size)
    rates, costs, limits = case.priced(every)
    found = benefit_samples(
        posterior, every, block.meter_index, rates, costs, limits,
        least_sustained_gpm=np.zeros(block.size),
    )  # fmt: skip
    return found.net_benefit_usd.astype(float), found.fits & (case.broken == 0)


def log_cost_of_later_years_usd(block, posterior, meters):
    """What of a log's cost later years bear, if it is spread as a change's cost is.

    A benefit is a year's, a log is paid once and serves as long as the meter chosen by it.
    """
    case = prepare(
        block, posterior, site_block(block), Catalogue(tuple(meters)), TARIFF, THRESHOLDS,
        units="us",
    )  # fmt: skip
    _, costs, _ = case.priced(slice(0, block.size))
    years = float(np.median(costs.present_value_factor))
    return THRESHOLDS.logging_cost_usd * (1 - 1 / years)


def _chosen(rows, block, meters):
    """Meter to install at each account; the installed one where it is kept [A]."""
    names = {(m.meter_type, m.size_in, m.grade): k for k, m in enumerate(meters)}
    keys = zip(
        rows["recommended_type"],
        rows["recommended_size_in"],
        rows["recommended_grade"],
        strict=True,
    )
    wanted = np.array([names.get(key, -1) for key in keys])
    action = np.array(rows["action"].to_list())
    named = np.isin(action, ["change", "refer"]) & (wanted >= 0)  # a person confirms a referral
    return np.where(named, wanted, block.meter_index)


def gained_by_flow_alone(truth, block, meters, oracle):
    """True net benefit [A] of the best choice by true flow and the catalog's curves.

    What no reads and no flow log can pass: they do not tell one meter's curve from another's.
    """
    rows, index = np.arange(block.size), block.meter_index
    by_catalogue = truth.band_gal @ registration_matrix(meters, BAND_CENTRES_GPM).T
    plain = replace(truth, registered_gal=by_catalogue, installed_gal=by_catalogue[rows, index])
    best = oracle_of(plain, block, meters).best
    return np.where(best == index, 0.0, oracle.net_usd[rows, best])


def gained_by_flow_and_spread(truth, block, meters, oracle, *, makes):
    """True net benefit [2, A] if flow is known, and how curves differ, but no meter's own.

    The ceiling behind wrong curves: `CURVES_TRIED` curves of each meter are drawn as those of
    the fleet were at its age, and nothing else tells which it is. First by the product's rules
    without a log, which would not tell either; then by the highest mean over the curves,
    whatever the risk.
    """
    rows, index = np.arange(block.size), block.meter_index
    known = _flow_with_curves(truth, block, meters, makes=makes)
    chosen = decided(block, known, meters).chosen
    mean = _net_usd(block, known, meters)[0].mean(axis=0)
    mean = np.where(oracle.fits, mean, -np.inf)
    mean[rows, index] = 0.0
    return np.stack(
        [
            np.where(picked == index, 0.0, oracle.net_usd[rows, picked])
            for picked in (chosen, mean.argmax(axis=1))
        ]
    )


def _flow_with_curves(truth, block, meters, *, makes):
    """A posterior that knows the flow, its samples being curves; `makes` of new meters too."""
    rng = np.random.default_rng([CURVES_TRIED, *(int(gal) for gal in truth.actual_gal[:4])])
    installed, registered = [], []
    for _ in range(CURVES_TRIED):
        held = [
            ground.in_the_ground(meters[k], rng, age)
            for k, age in zip(block.meter_index, truth.age_years, strict=True)
        ]
        installed.append((truth.band_gal * registered_by_band(held)).sum(axis=1) * YEAR)
        bought = ground.other_makes(meters, rng) if makes else meters
        registered.append(truth.band_gal @ registered_by_band(bought).T * YEAR)
    one = truth_posterior(truth, block)
    many = {
        name: np.repeat(value, CURVES_TRIED, axis=0)
        for name, value in vars(one).items()
        if value is not None and name not in BY_ACCOUNT
    }
    many["installed_gal_per_year"] = np.array(installed)
    many["registered_gal_per_year"] = np.array(registered)
    many["registered_envelope_low"] = np.min(registered, axis=0)
    many["registered_envelope_high"] = np.max(registered, axis=0)
    return replace(one, **many)


def registered_by_band(meters):
    """Mean registration of each meter over each band [M, B]: starts lie inside bands."""
    width = np.log(BAND_EDGES_GPM[1] / BAND_EDGES_GPM[0])
    inside = (-0.4, -0.2, 0.0, 0.2, 0.4)
    return np.mean(
        [registration_matrix(meters, BAND_CENTRES_GPM * np.exp(q * width)) for q in inside],
        axis=0,
    )


@dataclass
class Decided:
    """What the product says, [A]."""

    chosen: np.ndarray  # meter to install; the installed one where it is kept
    logged: np.ndarray
    undersized: np.ndarray
    promised_gal: np.ndarray  # [3, A] gain a year of the meter to install: mean, low, high
    action: np.ndarray
    gain_sample: pl.DataFrame
    candidate: pl.DataFrame


def decision_of(block, posterior, meters, known=(), *, more_logs=True):
    """The product's decision; `known` are meters with a log behind their posterior.

    Without `more_logs` none will come elsewhere.
    """
    catalogue, sites = Catalogue(tuple(meters)), _logged_sites(block, known, more_logs)
    return decide(block, posterior, sites, catalogue, TARIFF, THRESHOLDS, units="us")


def decided_rows(block, posterior, meters):
    """The product's recommendation rows."""
    return decision_of(block, posterior, meters).recommendation


def _logged_sites(block, known, more_logs):
    """Sites of which these meters have a log behind their posterior."""
    return replace(
        site_block(block),
        is_logged=np.array([m in known for m in block.meter_id]),
        is_to_log=np.full(block.size, more_logs),
    )


def decided(block, posterior, meters, known=(), *, more_logs=True):
    """The product's decision, its log list cut to a fifth of the fleet."""
    result = decision_of(block, posterior, meters, known, more_logs=more_logs)
    rows = result.recommendation
    action = np.array(rows["action"].to_list())
    value = rows["expected_value_of_logging_usd"].fill_null(-np.inf).to_numpy()
    order = np.argsort(-np.where(action == "log_first", np.nan_to_num(value, nan=0), -np.inf))
    logged = np.zeros(block.size, bool)
    logged[order[: int(LOGGED_SHARE * block.size)]] = True
    logged &= action == "log_first"
    return Decided(
        _chosen(rows, block, meters),
        logged,
        np.array(rows["verdict"].to_list()) == "undersized",
        np.stack(
            [rows[f"volume_gain{e}_gal_per_year"].to_numpy() for e in ("", "_low", "_high")]
        ),
        action,
        result.gain_sample,
        result.candidate,
    )


def scores(truth, block, meters, posterior, decision, oracle):
    """Counts and shares of one fleet at one read interval."""
    rows, index = np.arange(block.size), block.meter_index
    smoc = np.array([m.smoc_gpm for m in meters])
    changed = decision.chosen != index
    overrun = changed & (truth.peak_10s_gpm > smoc[decision.chosen])
    undersized = (truth.peak_10s_gpm > smoc[index]) | (
        truth.sustained_60min_gpm > np.array([m.continuous_gpm for m in meters])[index]
    )
    net = oracle.net_usd[rows, decision.chosen]
    # an upgrade that was due costs money for safety, not for gain: it is no loss
    due = changed & undersized & decision.undersized
    gained = np.where(changed & ~overrun, np.where(due, np.maximum(net, 0), net), 0.0)
    gained = np.where(decision.logged, oracle.best_usd - THRESHOLDS.logging_cost_usd, gained)
    false = decision.undersized & ~undersized
    return {
        "sites": block.size,
        "changed": int(changed.sum()),
        "overrun": int(overrun.sum()),
        "logged": int(decision.logged.sum()),
        "realised_pct": 100 * gained.sum() / oracle.best_usd.sum(),
        "oracle_usd": oracle.best_usd.sum(),
        "false_undersized": int(false.sum()),
        "is_false_undersized": false,
        "undersized_found": int((decision.undersized & undersized).sum()),
        "undersized": int(undersized.sum()),
        **(
            coverage(truth, posterior, oracle, index) if len(posterior.peak_10s_gpm) > 1 else {}
        ),
        "gained": gained,
    }


def coverage(truth, posterior, oracle, index):
    """How often 90 % intervals hold the truth; the gain is that of the oracle's meter.

    Where the oracle keeps the installed meter, the best of the others stands in.
    """
    rows = np.arange(len(index))
    other = np.where(oracle.fits, oracle.net_usd, -np.inf)
    other[rows, index] = -np.inf
    best = other.argmax(axis=1)
    gain = truth.registered_gal[rows, best] - truth.installed_gal
    gain = 100 * gain / truth.actual_gal
    draws = posterior.registered_gal_per_year
    now = posterior.installed_gal_per_year
    shown = 100 * (draws[:, rows, best] - now) / posterior.actual_gal_per_year
    low, middle, high = np.quantile(shown, [0.05, 0.5, 0.95], axis=0)
    peak = np.quantile(posterior.peak_10s_gpm, [0.05, 0.5, 0.95], axis=0)
    inside = (low - SLACK_POINTS <= gain) & (gain <= high + SLACK_POINTS)
    error = np.abs(middle - gain)
    peak_inside = (peak[0] <= truth.peak_10s_gpm) & (truth.peak_10s_gpm <= peak[2])
    return {
        "is_gain_in": inside,
        "is_peak_in": peak_inside,
        "is_peak_above": truth.peak_10s_gpm > peak[2],
        "peak_in_pct": 100 * np.mean(peak_inside),
        "peak_above_pct": 100 * np.mean(truth.peak_10s_gpm > peak[2]),
        "peak_ratio": float(np.median(peak[1] / truth.peak_10s_gpm)),
        "peak_width": float(np.median(peak[2] / peak[0])),
        "gain_in_pct": 100 * np.mean(inside),
        "gain_error_median": float(np.median(error)),
        "gain_error_mean": float(np.mean(error)),
        "detail": (peak, np.array([low, middle, high]), gain, best),
    }
