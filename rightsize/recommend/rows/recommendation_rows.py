"""Rows of `recommendation`: the choice, what it brings, and why."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.columns import ACTIONS, VERDICTS
from rightsize.inference.samples import mean
from rightsize.meters.arrays import meter_arrays
from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.economics import simple_payback_years
from rightsize.recommend.rows.flow_distribution import where_read
from rightsize.recommend.rows.reasons import with_reason
from rightsize.recommend.rows.row_columns import (
    assembly_loss_at_peak,
    at_meter,
    bounded,
    bounded_ratio,
    head_loss_at_peak,
    meter_columns,
    samples_at_meter,
)
from rightsize.recommend.rows.steady_columns import steady_columns
from rightsize.recommend.rules.meter_rules import lost_by, main_rule
from rightsize.recommend.rules.upsize_evidence import shown_by
from rightsize.recommend.weigh import BenefitSamples
from rightsize.wording import Wording

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def recommendation_frame(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> pl.DataFrame:
    """One row a meter in service, in the block's order; null where nothing can be said."""
    judged = case.refused.is_assessed[rows]
    installed = np.asarray(case.sites.meter_index[rows], dtype=np.int64)
    columns: dict[str, Any] = {
        "account_id": case.block.account_id[rows],
        "meter_id": case.block.meter_id[rows],
        "customer_class": case.sites.customer_class[rows],
        "service_kind": case.sites.service_kind[rows],
        **meter_columns(case, "installed", installed),
        "verdict": choice.verdict.astype(str),
        "action": choice.action.astype(str),
        **meter_columns(case, "recommended", np.where(judged, choice.chosen, -1)),
        **_gain_columns(case, rows, samples, choice),
        "gain_correction_factor": _correction(case, rows, choice),
        **_money_columns(case, rows, samples, choice),
        **_flow_columns(case, rows, samples),
        **_odds_columns(case, rows, choice),
        **_rating_columns(case, rows, samples, choice),
        **_runner_up_columns(case, choice),
        "days_covered": case.block.days_covered[rows],
    }
    frame = _null_where(_typed(columns), ~judged, keep=_ALWAYS)
    return with_reason(
        frame,
        case,
        rows,
        odds_over_smoc=choice.odds_over_smoc,
        odds_over_continuous=choice.odds_over_continuous,
        smaller=choice.smaller,
        tied=choice.tied,
        rival_lost_by=lost_by(choice.weighed.broken, choice.runner_up),
        is_other=choice.chosen != case.meter_index[rows],
        shown_by=_shown_by(case, rows, choice),
        blocked_by=main_rule(choice.weighed.broken),
        runner_up_odds=at_meter(
            choice.weighed.odds_of_benefit, np.maximum(choice.runner_up, 0)
        ),
    )


def _shown_by(case: Case, rows: slice, choice: Choice) -> list[str | None]:
    """What confirms that the installed meter is too small, beside the inferred peak [A]."""
    found = shown_by(
        case.block,
        case.record.upsize_evidence,
        rows,
        smoc_gpm=meter_arrays(case.catalogue.meters).smoc_gpm[case.meter_index[rows]],
        odds_over_continuous=choice.odds_over_continuous,
        odds_of_undersized=case.thresholds.odds_of_undersized,
    )
    logged = case.is_logged[rows]
    return [a or ("a flow log" if b else None) for a, b in zip(found, logged, strict=True)]


_ALWAYS: Final = (
    "account_id", "meter_id", "customer_class", "service_kind", "installed_type",
    "installed_size_in", "installed_grade", "verdict", "action", "days_covered",
)  # fmt: skip


def _gain_columns(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> dict[str, Any]:
    registered = samples_at_meter(samples.registered_gal, choice.chosen)
    installed = samples_at_meter(samples.registered_gal, case.meter_index[rows])
    actual = np.maximum(samples.actual_gal, 1e-9)
    gain = bounded_ratio("accuracy_gain_pct", registered - installed, actual)
    volume = bounded("volume_gain_gal_per_year", registered - installed)
    registered_gal = mean(samples.installed_gal)
    actual_gal = mean(actual)
    accuracy = registered_gal / actual_gal * 100
    return {
        "installed_registered_gal_per_year": registered_gal,
        "expected_actual_gal_per_year": actual_gal,
        "recommended_registered_gal_per_year": registered_gal
        + volume["volume_gain_gal_per_year"],
        "installed_accuracy_pct": accuracy,
        "recommended_accuracy_pct": accuracy + gain["accuracy_gain_pct"],
        **gain,
        **volume,
        "unseen_share_of_gain": _unseen_share(case, rows, registered - installed),
    }


def _correction(case: Case, rows: slice, choice: Choice) -> Array:
    """Factor on the gain of the chosen meter; 1 where the installed one stays."""
    if case.gain_factor is None:
        return np.ones(len(choice.chosen))
    kept = choice.chosen == case.meter_index[rows]
    return np.where(kept, 1.0, at_meter(case.gain_factor[rows], choice.chosen))


def _unseen_share(case: Case, rows: slice, gain_gal: Array) -> Array:
    """Share of the gain that rests on flow below the installed meter's start; NaN without."""
    gain = np.maximum(gain_gal, 0.0)
    unseen = np.minimum(gain, case.posterior.unseen_gal_per_year[:, rows])
    total = mean(gain)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = mean(unseen) / total
    return np.asarray(np.where(total > 0, np.clip(share, 0.0, 1.0), np.nan), dtype=np.float64)


def _money_columns(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> dict[str, Any]:
    chosen = choice.chosen
    fixed = np.nan_to_num(at_meter(case.costs.fixed_charge_change_usd_per_year[rows], chosen))
    kept = chosen == case.meter_index[rows]
    cost = np.where(kept, 0.0, at_meter(case.costs.change_cost_usd[rows], chosen))
    annual = np.where(kept, 0.0, at_meter(case.costs.annual_cost_usd_per_year[rows], chosen))
    upkeep = at_meter(case.costs.upkeep_change_usd_per_year[rows], chosen)
    gain = bounded(
        "revenue_gain_usd_per_year", samples_at_meter(samples.volumetric_gain_usd, chosen)
    )
    net = bounded("net_benefit_usd_per_year", samples_at_meter(samples.net_benefit_usd, chosen))
    until = np.where(kept, 1.0, at_meter(case.costs.until_renewal_share[rows], chosen))
    renewal = (1 - until) * mean(samples.renewal_gain_usd)
    steady = steady_columns(samples, chosen, 1 - until)
    wear = np.zeros(len(chosen))
    if samples.wear is not None:
        registered = samples_at_meter(samples.registered_gal, chosen)
        worn = mean(samples.wear.gain_at(registered, samples.installed_gal, chosen))
        wear = np.where(kept, 0.0, worn)
    lost = np.where(kept, 0.0, at_meter(case.costs.base_charge_loss_usd_per_year[rows], chosen))
    at_once = np.minimum(fixed, 0.0) if case.costs.base_charge_years > 0 else 0.0
    cash = gain["revenue_gain_usd_per_year"] + at_once - upkeep
    return {
        **_bills(case, rows, samples, gain["revenue_gain_usd_per_year"], fixed),
        **gain,
        **steady,
        "wear_gain_usd_per_year": wear,
        **net,
        "renewal_gain_usd_per_year": renewal,
        "net_present_value_usd": net["net_benefit_usd_per_year"]
        * case.costs.present_value_factor[chosen],
        "payback_years": np.where(kept, np.nan, simple_payback_years(cost, cash)),
        "fixed_charge_change_usd_per_year": fixed,
        "base_charge_loss_usd_per_year": lost,
        "change_cost_usd": cost,
        "site_cost_usd": at_meter(
            case.site_costs.rows(rows).expected_usd(len(samples.peak_gpm)), chosen
        ),
        "possible_cost_usd": at_meter(case.site_costs.rows(rows).possible_usd, chosen),
        "annual_cost_usd_per_year": annual,
    }


def _bills(
    case: Case,
    rows: slice,
    samples: BenefitSamples,
    gain_usd: Array,
    fixed_change_usd: Array,
) -> dict[str, Array]:
    """Annual bill, base charge included, now and with the recommended meter."""
    rates, costs, _ = case.priced(rows)
    volumetric = mean(rates.bill_usd_per_year(samples.installed_gal))
    now = volumetric + costs.fixed_charge_usd_per_year[case.meter_index[rows]]
    return {
        "bill_usd_per_year": now,
        "recommended_bill_usd_per_year": now + gain_usd + fixed_change_usd,
    }


def _flow_columns(case: Case, rows: slice, samples: BenefitSamples) -> dict[str, Any]:
    actual = np.maximum(samples.actual_gal, 1e-9)
    low_flow_gal = case.posterior.low_flow_share[:, rows] * actual
    return {
        **bounded("peak_10s_gpm", samples.peak_gpm),
        **bounded("peak_1min_gpm", case.posterior.peak_1min_gpm[:, rows]),
        "peak_60min_gpm": where_read(case.block.max_hour_gpm[rows]),
        "sustained_60min_gpm": mean(case.posterior.sustained_60min_gpm[:, rows]),
        "low_flow_share": np.clip(mean(low_flow_gal) / mean(actual), 0.0, 1.0),
    }


def _odds_columns(case: Case, rows: slice, choice: Choice) -> dict[str, Any]:
    """Odds of the chosen meter; where the installed one is kept, of the best other meter."""
    kept = choice.chosen == case.meter_index[rows]
    rival = at_meter(choice.weighed.odds_of_benefit, np.maximum(choice.runner_up, 0))
    of_rival = np.where(choice.runner_up < 0, 0.0, rival)
    chosen = at_meter(choice.weighed.odds_of_benefit, choice.chosen)
    return {
        "expected_value_of_logging_usd": choice.log_value_usd,
        "odds_of_benefit": np.where(kept, of_rival, chosen),
        "odds_of_fit": at_meter(choice.weighed.odds_of_fit, choice.chosen),
        "odds_of_undersized": choice.odds_over,
    }


def _rating_columns(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> dict[str, Any]:
    rated, installed = meter_arrays(case.catalogue.meters), case.meter_index[rows]
    return {
        "head_loss_at_peak_psi": at_meter(head_loss_at_peak(case, samples), choice.chosen),
        "assembly_loss_at_peak_psi": at_meter(
            assembly_loss_at_peak(case, rows, samples), choice.chosen
        ),
        "spare_head_psi": case.spare_head_psi[rows],
        "installed_continuous_gpm": rated.continuous_gpm[installed],
        "installed_smoc_gpm": rated.smoc_gpm[installed],
    }


def _runner_up_columns(case: Case, choice: Choice) -> dict[str, Any]:
    meters, index = case.catalogue.meters, choice.runner_up
    labels = pl.Series([*map(Wording(case.units).label, meters), None], dtype=pl.String)
    net = at_meter(choice.weighed.net_benefit_usd, np.maximum(index, 0))
    return {
        "runner_up": labels.gather(pl.Series(np.where(index < 0, len(meters), index))),
        **meter_columns(case, "runner_up", index),
        "runner_up_net_benefit_usd_per_year": np.where(index < 0, np.nan, net),
    }


def _typed(columns: dict[str, Any]) -> pl.DataFrame:
    """A frame of the columns; NaN becomes null."""
    frame = pl.DataFrame(
        {k: v.astype(np.float64) if _is_floats(v) else v for k, v in columns.items()},
        schema_overrides={
            "account_id": pl.String,
            "meter_id": pl.String,
            "customer_class": pl.String,
            "service_kind": pl.String,
            "verdict": pl.Enum(VERDICTS),
            "action": pl.Enum(ACTIONS),
        },
    )
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))


def _is_floats(value: Any) -> bool:
    return isinstance(value, np.ndarray) and value.dtype.kind == "f"


def _null_where(
    frame: pl.DataFrame, where: NDArray[np.bool_], *, keep: tuple[str, ...] | list[str]
) -> pl.DataFrame:
    if not where.any():
        return frame
    mask = pl.Series(where)
    return frame.with_columns(
        pl.when(mask).then(None).otherwise(pl.col(c)).alias(c)
        for c in frame.columns
        if c not in keep
    )
