"""Result rows of the decision: recommendation, candidates, findings, meters not assessed."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.assess.verdict import ACTIONS, VERDICTS
from rightsize.findings import FINDING_CODES
from rightsize.meters.catalogue import Meter
from rightsize.meters.head_loss import head_loss_matrix
from rightsize.recommend.candidates import main_rule, rule_names
from rightsize.recommend.case import Case
from rightsize.recommend.economics import simple_payback_years
from rightsize.recommend.reasons import with_reason
from rightsize.recommend.weigh import Draws, Weighed
from rightsize.recommend.weighted import interval, weighted_mean

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Choice:
    """The decision on a chunk of A accounts over M meters."""

    verdict: NDArray[np.str_]  # [A]
    action: NDArray[np.str_]  # [A]
    chosen: Index  # [A] meter to install, to confirm by logging, or the installed one
    runner_up: Index  # [A] best feasible meter beside chosen and installed; -1 for none
    smaller: Index  # [A] best smaller meter of the same type that pays; -1 for none
    log_value_usd: Array  # [A] worth of a log less its cost; NaN where a change is decided
    odds_over_smoc: Array  # [A] odds that the peak exceeds the installed meter's SMOC
    odds_over_continuous: Array  # [A] odds that sustained flow exceeds its continuous rating
    odds_over: Array  # [A] odds of either
    weighed: Weighed
    rank: Index  # [A, M] from 1; 0 where not feasible


def recommendation_frame(case: Case, rows: slice, draws: Draws, choice: Choice) -> pl.DataFrame:
    """One row a meter in service, in the block's order; null where nothing can be said."""
    judged = case.refused.is_assessed[rows]
    installed = np.asarray(case.sites.meter_index[rows], dtype=np.int64)
    columns: dict[str, Any] = {
        "account_id": case.block.account_id[rows],
        "meter_id": case.block.meter_id[rows],
        "customer_class": case.sites.customer_class[rows],
        "service_kind": case.sites.service_kind[rows],
        **_meter_columns(case, "installed", installed),
        "verdict": choice.verdict.astype(str),
        "action": choice.action.astype(str),
        **_meter_columns(case, "recommended", np.where(judged, choice.chosen, -1)),
        **_gain_columns(case, rows, draws, choice),
        **_money_columns(case, rows, draws, choice),
        **_flow_columns(case, rows, draws),
        **_odds_columns(case, rows, choice),
        **_rating_columns(case, rows, draws, choice),
        **_runner_up_columns(case, choice),
        "days_covered": case.block.days_covered[rows],
    }
    frame = _null_where(_typed(columns), ~judged, keep=_ALWAYS)
    return with_reason(
        frame, case, rows,
        odds_over_smoc=choice.odds_over_smoc, odds_over_continuous=choice.odds_over_continuous,
        smaller=choice.smaller,
        blocked_by=main_rule(choice.weighed.broken),
        runner_up_odds=_at(choice.weighed.odds_of_benefit, np.maximum(choice.runner_up, 0)),
    )  # fmt: skip


_ALWAYS: Final = (
    "account_id", "meter_id", "customer_class", "service_kind", "installed_type",
    "installed_size_in", "installed_grade", "verdict", "action", "days_covered",
)  # fmt: skip


def _meter_columns(case: Case, prefix: str, index: Index) -> dict[str, Any]:
    """Type, size and grade of meters by catalogue row; null for row -1."""
    at = pl.Series(np.where(index < 0, len(case.catalogue.meters), index))
    meters = case.catalogue.meters
    kinds: list[str | None] = [m.meter_type for m in meters]
    sizes: list[float | None] = [m.size_in for m in meters]
    grades: list[str | None] = [m.grade for m in meters]
    return {
        f"{prefix}_type": pl.Series([*kinds, None], dtype=pl.String).gather(at),
        f"{prefix}_size_in": pl.Series([*sizes, None], dtype=pl.Float64).gather(at),
        f"{prefix}_grade": pl.Series([*grades, None], dtype=pl.String).gather(at),
    }


def _at(value: NDArray[Any], index: Index) -> Array:
    """Entry of each account's row [A, M] at its meter."""
    return np.asarray(value[np.arange(len(index)), index], dtype=np.float64)


def _draws_at(value: NDArray[Any], index: Index) -> Array:
    return np.asarray(value[:, np.arange(len(index)), index], dtype=np.float64)


def _bounded(name: str, draws: Array, weight: Array) -> dict[str, Array]:
    """Mean and 90 % interval under the contract's names: low and high stand before the unit.

    The interval is widened to hold the mean, which a skewed spread may carry outside it.
    """
    mean = np.asarray(weighted_mean(draws, weight), dtype=np.float64)
    low, high = interval(draws, weight)
    return {
        name: mean,
        with_word(name, "low"): np.minimum(np.asarray(low, dtype=np.float64), mean),
        with_word(name, "high"): np.maximum(np.asarray(high, dtype=np.float64), mean),
    }


_UNITS: Final = ("_usd_per_year", "_gal_per_year", "_pct", "_gpm", "_share", "_usd")


def with_word(name: str, word: str) -> str:
    """`volume_gain_gal_per_year` with `low` is `volume_gain_low_gal_per_year`."""
    unit = next((u for u in _UNITS if name.endswith(u)), "")
    return f"{name[: len(name) - len(unit)]}_{word}{unit}"


def _gain_columns(case: Case, rows: slice, draws: Draws, choice: Choice) -> dict[str, Any]:
    registered = _draws_at(draws.registered_gal, choice.chosen)
    installed = _draws_at(draws.registered_gal, case.meter_index[rows])
    actual = np.maximum(draws.actual_gal, 1e-9)
    weight = draws.weight
    accuracy = choice.weighed.accuracy_pct[0]
    return {
        "installed_accuracy_pct": _at(accuracy, case.meter_index[rows]),
        "recommended_accuracy_pct": _at(accuracy, choice.chosen),
        **_bounded("accuracy_gain_pct", (registered - installed) / actual * 100, weight),
        **_bounded("volume_gain_gal_per_year", registered - installed, weight),
        "unseen_share_of_gain": _unseen_share(case, rows, registered - installed, weight),
    }


def _unseen_share(case: Case, rows: slice, gain_gal: Array, weight: Array) -> Array:
    """Share of the gain that rests on flow below the installed meter's start; NaN without."""
    gain = np.maximum(gain_gal, 0.0)
    unseen = np.minimum(gain, case.posterior.unseen_gal_per_year[:, rows])
    total = weighted_mean(gain, weight)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = weighted_mean(unseen, weight) / total
    return np.asarray(np.where(total > 0, np.clip(share, 0.0, 1.0), np.nan), dtype=np.float64)


def _money_columns(case: Case, rows: slice, draws: Draws, choice: Choice) -> dict[str, Any]:
    chosen, weight = choice.chosen, draws.weight
    fixed = np.nan_to_num(_at(case.costs.fixed_charge_change_usd_per_year[rows], chosen))
    kept = chosen == case.meter_index[rows]
    cost = np.where(kept, 0.0, _at(case.costs.change_cost_usd[rows], chosen))
    annual = np.where(kept, 0.0, _at(case.costs.annual_cost_usd_per_year[rows], chosen))
    upkeep = _at(case.costs.upkeep_change_usd_per_year[rows], chosen)
    gain = _bounded(
        "revenue_gain_usd_per_year", _draws_at(draws.volumetric_gain_usd, chosen), weight
    )
    net = _bounded("net_benefit_usd_per_year", _draws_at(draws.net_benefit_usd, chosen), weight)
    cash = gain["revenue_gain_usd_per_year"] + np.minimum(fixed, 0.0) - upkeep
    return {
        **gain,
        **net,
        "net_present_value_usd": net["net_benefit_usd_per_year"]
        * case.costs.present_value_factor[chosen],
        "payback_years": np.where(kept, np.nan, simple_payback_years(cost, cash)),
        "fixed_charge_change_usd_per_year": fixed,
        "change_cost_usd": cost,
        "annual_cost_usd_per_year": annual,
    }


def _flow_columns(case: Case, rows: slice, draws: Draws) -> dict[str, Any]:
    weight = draws.weight
    return {
        **_bounded("peak_10s_gpm", draws.peak_gpm, weight),
        **_bounded("peak_1min_gpm", case.posterior.peak_1min_gpm[:, rows], weight),
        "peak_60min_gpm": case.block.max_hour_gpm[rows],
        "sustained_60min_gpm": weighted_mean(
            case.posterior.sustained_60min_gpm[:, rows], weight
        ),
        "low_flow_share": np.clip(
            weighted_mean(case.posterior.low_flow_share[:, rows], weight), 0.0, 1.0
        ),
    }


def _odds_columns(case: Case, rows: slice, choice: Choice) -> dict[str, Any]:
    """Odds of the chosen meter; where the installed one is kept, of the best other meter."""
    kept = choice.chosen == case.meter_index[rows]
    rival = _at(choice.weighed.odds_of_benefit, np.maximum(choice.runner_up, 0))
    of_rival = np.where(choice.runner_up < 0, 0.0, rival)
    chosen = _at(choice.weighed.odds_of_benefit, choice.chosen)
    return {
        "expected_value_of_logging_usd": choice.log_value_usd,
        "odds_of_benefit": np.where(kept, of_rival, chosen),
        "odds_of_fit": _at(choice.weighed.odds_of_fit, choice.chosen),
        "odds_of_undersized": choice.odds_over,
    }


def _rating_columns(case: Case, rows: slice, draws: Draws, choice: Choice) -> dict[str, Any]:
    meters, installed = case.catalogue.meters, case.meter_index[rows]
    return {
        "head_loss_at_peak_psi": _at(_head_loss_psi(case, draws), choice.chosen),
        "spare_head_psi": case.spare_head_psi[rows],
        "installed_continuous_gpm": np.array([m.continuous_gpm for m in meters])[installed],
        "installed_smoc_gpm": np.array([m.smoc_gpm for m in meters])[installed],
    }


def _head_loss_psi(case: Case, draws: Draws) -> Array:
    """Head lost in each meter at the expected peak [A, M]."""
    peak_gpm = np.asarray(weighted_mean(draws.peak_gpm, draws.weight), dtype=np.float64)
    return head_loss_matrix(case.catalogue.meters, peak_gpm).T


def _runner_up_columns(case: Case, choice: Choice) -> dict[str, Any]:
    meters, index = case.catalogue.meters, choice.runner_up
    labels = pl.Series([*(m.label for m in meters), None], dtype=pl.String)
    net = _at(choice.weighed.net_benefit_usd, np.maximum(index, 0))
    return {
        "runner_up": labels.gather(pl.Series(np.where(index < 0, len(meters), index))),
        **_meter_columns(case, "runner_up", index),
        "runner_up_net_benefit_usd_per_year": np.where(index < 0, np.nan, net),
    }


def _typed(columns: dict[str, Any]) -> pl.DataFrame:
    """A frame of the columns; NaN becomes null."""
    frame = pl.DataFrame(
        {k: v.astype(np.float64) if _is_floats(v) else v for k, v in columns.items()},
        schema_overrides={
            "account_id": pl.String, "meter_id": pl.String, "customer_class": pl.String,
            "service_kind": pl.String, "verdict": pl.Enum(VERDICTS), "action": pl.Enum(ACTIONS),
        },
    )  # fmt: skip
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))


def _is_floats(value: Any) -> bool:
    return isinstance(value, np.ndarray) and value.dtype.kind == "f"


def _null_where(
    frame: pl.DataFrame, where: NDArray[np.bool_], *, keep: tuple[str, ...] | list[str]
) -> pl.DataFrame:
    mask = pl.Series(where)
    return frame.with_columns(
        pl.when(mask).then(None).otherwise(pl.col(c)).alias(c)
        for c in frame.columns
        if c not in keep
    )


def candidate_frame(case: Case, rows: slice, draws: Draws, choice: Choice) -> pl.DataFrame:
    """One row a catalogue meter of each account assessed, or refused as a fire service."""
    shown = np.array(
        [
            c in ("", "fire_service") and known >= 0
            for c, known in zip(
                case.refused.code[rows], case.sites.meter_index[rows], strict=True
            )
        ],
        dtype=bool,
    )
    account = np.flatnonzero(shown)
    count = len(case.catalogue.meters)
    at = pl.Series(np.repeat(account, count), dtype=pl.UInt32)
    meter = np.tile(np.arange(count), len(account))
    weighed = choice.weighed
    code, texts = rule_names(weighed.broken[shown])

    def flat(value: NDArray[Any]) -> NDArray[Any]:
        picked: NDArray[Any] = value[shown].ravel()
        return picked

    money = {
        "net_present_value_usd": weighed.net_benefit_usd * case.costs.present_value_factor,
        "change_cost_usd": case.costs.change_cost_usd[rows],
        "fixed_charge_change_usd_per_year": case.costs.fixed_charge_change_usd_per_year[rows],
        "head_loss_at_peak_psi": _head_loss_psi(case, draws),
    }
    frame = pl.DataFrame(
        {
            "account_id": pl.Series(case.block.account_id[rows], dtype=pl.String).gather(at),
            "meter_id": pl.Series(case.block.meter_id[rows], dtype=pl.String).gather(at),
            **_renamed(_meter_columns(case, "meter", meter)),
            "is_installed": meter == np.repeat(case.meter_index[rows][shown], count),
            "feasible": flat(weighed.feasible),
            "rejected_because": pl.Series(texts, dtype=pl.String).gather(
                pl.Series(code.ravel(), dtype=pl.UInt32)
            ),
            **_spread("accuracy_pct", weighed.accuracy_pct, flat),
            **_spread("registered_gal_per_year", weighed.registered_gal, flat),
            **_spread("net_benefit_usd_per_year", weighed.net_benefit_range_usd, flat),
            **{k: flat(v).astype(np.float64) for k, v in money.items()},
            "odds_of_benefit": flat(weighed.odds_of_benefit).astype(np.float64),
            "odds_of_fit": flat(weighed.odds_of_fit).astype(np.float64),
            "rank": flat(choice.rank).astype(np.int32),
        }
    )
    return frame.with_columns(
        pl.col(pl.Float64).fill_nan(None),
        pl.when(pl.col("rank") > 0).then(pl.col("rank")).alias("rank"),
        pl.when(pl.col("rejected_because") != "").then(pl.col("rejected_because")),
    )


def _renamed(columns: dict[str, Any]) -> dict[str, Any]:
    return {
        "meter_type": columns["meter_type"],
        "size_in": columns["meter_size_in"],
        "grade": columns["meter_grade"],
    }


def _spread(name: str, value: tuple[NDArray[Any], ...], flat: Any) -> dict[str, Any]:
    names = (name, with_word(name, "low"), with_word(name, "high"))
    return {n: flat(v).astype(np.float64) for n, v in zip(names, value, strict=True)}


FINDING_SCHEMA: Final = {
    "account_id": pl.String,
    "meter_id": pl.String,
    "code": pl.String,
    "severity": pl.String,
    "message": pl.String,
    "evidence": pl.String,
}


def finding_frame(case: Case, rows: slice, choice: Choice) -> pl.DataFrame:
    """What the assessment found beside the verdict; few rows, evidence as JSON."""
    meters, thresholds = case.catalogue.meters, case.thresholds
    weight = case.posterior.weight[:, rows]
    peak = weighted_mean(np.nan_to_num(case.posterior.peak_10s_gpm[:, rows]), weight)
    sustained = weighted_mean(
        np.nan_to_num(case.posterior.sustained_60min_gpm[:, rows]), weight
    )
    judged = case.refused.is_assessed[rows]
    sure = thresholds.odds_of_undersized - 1e-6
    charge = case.costs.fixed_charge_change_usd_per_year[rows]
    hits = {
        "above_smoc": judged & (choice.odds_over_smoc >= sure),
        "above_continuous": judged & (choice.odds_over_continuous >= sure),
        "near_limit": judged
        & (choice.odds_over >= thresholds.near_limit_odds)
        & (choice.odds_over < sure),
        "no_fixed_charge": judged & (np.isnan(charge).sum(axis=1) >= max(len(meters) - 1, 1)),
    }
    found = []
    for code, where in hits.items():
        for k in np.flatnonzero(where):
            meter = meters[int(case.meter_index[rows][k])]
            evidence = {
                "peak_10s_gpm": round(float(peak[k]), 3),
                "sustained_60min_gpm": round(float(sustained[k]), 3),
                "smoc_gpm": meter.smoc_gpm,
                "continuous_gpm": meter.continuous_gpm,
                "odds": round(float(choice.odds_over[k]), 3),
            }
            found.append(
                (
                    case.block.account_id[rows][k],
                    case.block.meter_id[rows][k],
                    code,
                    FINDING_CODES[code].severity,
                    _finding_text(code, meter, evidence),
                    json.dumps(evidence),
                )
            )
    return pl.DataFrame(found, schema=FINDING_SCHEMA, orient="row")


def _finding_text(code: str, meter: Meter, evidence: dict[str, float]) -> str:
    figures = (
        f"{meter.label}: peak {evidence['peak_10s_gpm']:.3g} of {meter.smoc_gpm:g} gpm, "
        f"sustained {evidence['sustained_60min_gpm']:.3g} of {meter.continuous_gpm:g} gpm"
    )
    return f"{FINDING_CODES[code].meaning} ({figures})"


def not_assessed_frame(case: Case, rows: slice) -> pl.DataFrame:
    """Account, code and message of each meter not assessed."""
    frame = pl.DataFrame(
        {
            "account_id": case.block.account_id[rows],
            "meter_id": case.block.meter_id[rows],
            "code": case.refused.code[rows],
            "message": case.refused.message[rows],
        },
        schema=dict.fromkeys(("account_id", "meter_id", "code", "message"), pl.String),
    )
    return frame.filter(pl.col("code") != "")
