"""How well a fleet was judged: a small faithful decision rule, the oracle, and the scores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rightsize.demand.bands import BAND_CENTRES_GPM
from rightsize.meters.registration import registration_matrix

USD_PER_GAL = 0.0095  # water and returned sewage, invented
DISCOUNT = 0.04
LOGGING_USD = 150.0
ODDS_BENEFIT, ODDS_FIT, ODDS_UNDERSIZED, LOGGED_SHARE = 0.75, 0.9, 0.9, 0.2
YEAR = 365.25 / 365


@dataclass
class Decision:
    """Meter chosen (row of the catalogue) and sites sent to logging, [A]."""

    choice: np.ndarray
    logged: np.ndarray
    called_undersized: np.ndarray


def yearly_cost(meters):
    """Annualised price and upkeep [USD per year] of each meter."""
    life = np.array([m.life_years for m in meters])
    factor = DISCOUNT / (1 - (1 + DISCOUNT) ** -life)
    price = np.array([m.price_usd + m.install_usd for m in meters])
    return price * factor + np.array([m.upkeep_usd_per_year for m in meters])


def net_benefit(registered, installed, meters):
    """USD per year of changing to each meter; 0 for the installed one. [..., A, M]"""
    now = np.take_along_axis(registered, _index(installed, registered.ndim), axis=-1)
    upkeep = np.array([m.upkeep_usd_per_year for m in meters])
    net = (registered - now) * USD_PER_GAL - yearly_cost(meters) + upkeep[installed][:, None]
    stays = np.arange(len(meters)) == installed[:, None]
    return np.where(stays, 0.0, net)


def _index(installed, ndim):
    shape = [1] * ndim
    shape[-2] = len(installed)
    return installed.reshape(shape)


def fits(peak, sustained, meters):
    """Whether each meter carries peak and sustained flow [..., A, M]."""
    smoc = np.array([m.smoc_gpm for m in meters])
    continuous = np.array([m.continuous_gpm for m in meters])
    return (peak[..., None] <= smoc) & (sustained[..., None] <= continuous)


def decide(posterior, installed, meters):
    """The rule of thresholds and expected value of logging, from joint draws."""
    weight = posterior.weight[..., None]
    net = net_benefit(posterior.registered_gal_per_year, installed, meters)
    fit = fits(posterior.peak_10s_gpm, posterior.sustained_60min_gpm, meters)
    odds_fit, odds_benefit = (weight * fit).sum(0), (weight * (net > 0)).sum(0)
    expected = (weight * net).sum(0)
    rows = np.arange(len(installed))
    undersized = 1 - odds_fit[rows, installed] >= ODDS_UNDERSIZED
    allowed = (odds_fit >= ODDS_FIT) & (odds_benefit >= ODDS_BENEFIT) & (expected > 0)
    allowed = np.where(undersized[:, None], odds_fit >= ODDS_FIT, allowed)
    best = np.where(allowed, expected, -np.inf)
    choice = np.where(allowed.any(1), best.argmax(1), installed)
    value = _value_of_knowing(net, fit, posterior.weight, choice)
    limit = int(LOGGED_SHARE * len(installed))
    order = np.argsort(-value)[:limit]
    logged = np.zeros(len(installed), bool)
    logged[order] = value[order] > LOGGING_USD
    return Decision(choice, logged, undersized)


def _value_of_knowing(net, fit, weight, choice):
    """Expected gain of deciding after the truth is known, over deciding now [A]."""
    rows = np.arange(len(choice))
    now = np.where(
        fit[:, rows, choice], net[:, rows, choice], np.minimum(net[:, rows, choice], 0)
    )
    best = np.maximum(np.where(fit, net, 0).max(-1), 0)
    return (weight * (best - now)).sum(0)


def interval_mean_decision(block, meters):
    """The naive way: the interval's mean is the flow, the register's volume is the volume."""
    curve = registration_matrix(meters, BAND_CENTRES_GPM)
    registered = block.band_gal @ curve.T
    installed = block.meter_index
    net = net_benefit(registered, installed, meters)
    fit = fits(block.max_interval_gpm, block.max_hour_gpm, meters)
    ok = fit & (net > 0)
    choice = np.where(ok.any(1), np.where(ok, net, -np.inf).argmax(1), installed)
    nobody = np.zeros(len(installed), bool)
    return Decision(choice, nobody, ~fit[np.arange(len(installed)), installed])


def score(truth, decision, posterior, meters):
    """Scores of one fleet and interval, as a dict."""
    installed = truth.installed
    rows = np.arange(len(installed))
    net = net_benefit(truth.registered_gal * YEAR, installed, meters)
    fit = fits(truth.peak_10s_gpm, truth.sustained_60min_gpm, meters)
    peak_fits = truth.peak_10s_gpm[:, None] <= np.array([m.smoc_gpm for m in meters])
    oracle = np.maximum(np.where(fit, net, -np.inf).max(1), 0)
    changed = (decision.choice != installed) & ~decision.logged
    overrun = changed & ~peak_fits[rows, decision.choice]
    truly_undersized = ~fit[rows, installed]
    gained = np.where(changed & ~overrun, net[rows, decision.choice], 0)
    gained = np.where(
        changed & truly_undersized & decision.called_undersized, np.maximum(gained, 0), gained
    )
    gained = np.where(decision.logged, oracle - LOGGING_USD, gained)
    out = {
        "sites": len(installed), "changed": int(changed.sum()), "overrun": int(overrun.sum()),
        "logged": int(decision.logged.sum()), "oracle_usd": float(oracle.sum()),
        "realised_pct": 100 * float(gained.sum() / oracle.sum()),
        "false_undersized": int((decision.called_undersized & ~truly_undersized).sum()),
        "undersized_found": int((decision.called_undersized & truly_undersized).sum()),
        "undersized": int(truly_undersized.sum()),
    }  # fmt: skip
    if posterior is not None:
        out |= _coverage(truth, posterior, meters, np.where(fit, net, -np.inf).argmax(1))
    return out | {"gained": gained, "oracle": oracle}


def _coverage(truth, posterior, meters, best):
    """Coverage of 90 % intervals; the gain is that of the truly best meter that fits."""
    rows = np.arange(len(best))
    gain_true = 100 * (
        truth.registered_gal[rows, best] - truth.registered_gal[rows, truth.installed]
    )
    gain_true = gain_true / truth.actual_gal
    draws = posterior.registered_gal_per_year
    gain = 100 * (draws[:, rows, best] - draws[:, rows, truth.installed])
    gain = gain / posterior.actual_gal_per_year
    peak = np.quantile(posterior.peak_10s_gpm, [0.05, 0.5, 0.95], axis=0)
    low, middle, high = np.quantile(gain, [0.05, 0.5, 0.95], axis=0)
    slack = 0.05  # points: below it a gain is none
    error = np.abs(middle - gain_true)
    moved = best != truth.installed
    inside = (peak[0] <= truth.peak_10s_gpm) & (truth.peak_10s_gpm <= peak[2])
    gain_inside = (low - slack <= gain_true) & (gain_true <= high + slack)
    detail = {"peak": peak, "gain": np.array([low, middle, high]), "gain_true": gain_true}
    return {
        "peak_in_pct": 100 * np.mean(inside),
        "peak_over_pct": 100 * np.mean(truth.peak_10s_gpm > peak[2]),
        "peak_width": float(np.median(peak[2] / peak[0])),
        "peak_bias": float(np.median(peak[1] / truth.peak_10s_gpm)),
        "gain_in_pct": 100 * np.mean(gain_inside[moved]),
        "gain_err_median": float(np.median(error[moved])),
        "gain_err_mean": float(np.mean(error[moved])),
        "detail": detail | {"best": best},
    }
