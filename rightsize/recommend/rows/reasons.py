"""One plain sentence for every verdict, with the account's own numbers."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.contracts.columns import FLAGGED_VERDICTS
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.recommend.case import Case
from rightsize.recommend.rows.figure_columns import FigureColumns
from rightsize.recommend.rows.what_carries import carried
from rightsize.settings import Thresholds
from rightsize.wording import Wording, probability_text

Array = NDArray[np.float64]


def with_reason(
    frame: pl.DataFrame,
    case: Case,
    rows: slice,
    *,
    odds_over_smoc: Array,
    odds_over_continuous: Array,
    runner_up_odds: Array,
    smaller: NDArray[np.int64],
    tied: NDArray[np.int64],
    rival_lost_by: list[str],
    is_other: NDArray[np.bool_],
    shown_by: list[str | None],
    blocked_by: list[str],
) -> pl.DataFrame:
    """The recommendation rows with their `reason`.

    Parameters
    ----------
    frame : polars.DataFrame [A]
        Recommendation rows without it.
    case, rows
        The case and the accounts of the frame.
    runner_up_odds : array [A]
        Probability that the runner-up has a net benefit.
    smaller : int array [A]
        Best smaller meter of the installed type that pays; -1 for none.
    tied : int array [A]
        Meter that is worth a little more than the chosen, cheaper one; -1 for none.
    rival_lost_by : list of str [A]
        Why the runner-up is not the choice.
    is_other : bool array [A]
        The recommended meter is not the installed one.
    shown_by : list [A]
        What confirms an overload, beside the inferred peak; None for nothing.
    blocked_by : list of str [A]
        The rule that rejects most meters.
    odds_over_smoc, odds_over_continuous : arrays [A]
        Probability that peak and sustained flow exceed the installed meter's limits.
    """
    index = case.meter_index[rows]
    message = pl.Series("_message", case.refused.message[rows], dtype=pl.String)
    meters = case.catalogue.meters
    said = Wording(case.units)
    names = {_key(m): said.named(m) for m in meters}
    at_none = len(meters) + 1
    rivals = {said.label(m): said.named(m) for m in meters}
    smoc = {_key(m): m.smoc_gpm for m in meters}
    texts = frame.with_columns(
        message,
        pl.Series("_smoc", meter_arrays(meters).smoc_gpm[index]),
        pl.Series("_continuous", meter_arrays(meters).continuous_gpm[index]),
        pl.Series("_is_other", is_other),
        pl.Series("_blocked_by", blocked_by, dtype=pl.String),
        pl.Series("_shown_by", shown_by, dtype=pl.String),
        pl.Series("_rival_odds", runner_up_odds),
        pl.Series("_smaller", [*map(said.named, meters), None]).gather(
            pl.Series(smaller % at_none)
        ),
        pl.Series("_tied", [*map(said.named, meters), None]).gather(pl.Series(tied % at_none)),
        pl.Series("_lost_by", rival_lost_by, dtype=pl.String),
        pl.Series("_odds_over_smoc", odds_over_smoc),
        pl.Series("_odds_over_continuous", odds_over_continuous),
        pl.Series("_is_critical", case.is_critical[rows]),
        case.own_kind(rows).alias("_own_kind"),
        pl.Series("_is_line_blank", np.isnan(case.sites.service_line_in[rows])),
        pl.Series("_is_fire_unverified", case.is_fire_unverified[rows]),
        pl.Series("_last_use_on", case.last_use_on[rows], dtype=pl.String),
        *(
            pl.concat_str(
                pl.col(f"{who}_type"),
                pl.col(f"{who}_size_in").cast(pl.String),
                pl.col(f"{who}_grade"),
                separator="|",
            ).alias(f"_{who}")
            for who in ("installed", "recommended")
        ),
    )
    texts = texts.with_columns(
        pl.col("runner_up").replace_strict(rivals, default=None).alias("_rival"),
        pl.col("_recommended").replace_strict(smoc, default=None).alias("_new_smoc"),
        *(
            pl.col(f"_{who}").replace_strict(names, default=None).alias(f"_{who}")
            for who in ("installed", "recommended")
        ),
    )
    return frame.with_columns(_reasons(texts, said, case.thresholds))


def _reasons(texts: pl.DataFrame, said: Wording, limits: Thresholds) -> pl.Series:
    """The sentences of all rows: only those of its own kind are made for each."""
    kinds = _sentences(said, limits.model_dump_json())
    kind = pl.lit(len(kinds) - 1, dtype=pl.Int32)
    for number, (is_hit, _, _) in reversed(tuple(enumerate(kinds[:-1]))):
        kind = pl.when(is_hit).then(pl.lit(number, dtype=pl.Int32)).otherwise(kind)
    parts = texts.with_row_index("_row").with_columns(_kind=kind).partition_by("_kind")
    made = []
    for part in parts:
        _, figures, sentence = kinds[part["_kind"][0]]
        made.append(figures.written(part).select("_row", reason=sentence))
    none = pl.DataFrame(schema={"_row": pl.UInt32, "reason": pl.String})
    reasons: pl.Series = pl.concat([none, *made]).sort("_row")["reason"]
    return reasons


def _key(meter: Meter) -> str:
    return f"{meter.meter_type}|{float(meter.size_in)}|{meter.grade}"


def _odds(column: str) -> pl.Expr:
    return probability_text(pl.col(column))


@lru_cache(maxsize=8)
def _sentences(
    said: Wording, thresholds: str
) -> tuple[tuple[pl.Expr, FigureColumns, pl.Expr], ...]:
    """When each kind of sentence is said, its figures, and the sentence; the first counts."""
    limits = Thresholds.model_validate_json(thresholds)
    is_log = pl.col("action") == "log_first"
    kinds: tuple[tuple[pl.Expr, Callable[[Wording], pl.Expr]], ...] = (
        (pl.col("verdict") == "not_assessed", lambda _: pl.col("_message")),
        (pl.col("verdict") == "undersized", _undersized),
        (pl.col("verdict").is_in(["oversized", "wrong_type"]), _change),
        (is_log & pl.col("_is_other"), partial(_log_for_gain, limits=limits)),
        (is_log, _log_for_fit),
        (pl.lit(True), partial(_fits, limits=limits)),
    )
    made = []
    for is_hit, body in kinds:
        figures = FigureColumns(said.system)
        made.append((is_hit, figures, _sentence(body(figures), figures)))
    return tuple(made)


def _change(said: Wording) -> pl.Expr:
    return pl.concat_str(_smaller_pays(), _pays(said), carried(said), _tied())


def _sentence(body: pl.Expr, said: Wording) -> pl.Expr:
    """A sentence with what comes before and after it, whatever it says."""
    critical = pl.when(pl.col("_is_critical") & pl.col("verdict").is_in(FLAGGED_VERDICTS)).then(
        pl.lit("; the customer cannot be without water: engineering review")
    )
    own_kind = pl.when(
        pl.col("_own_kind").is_not_null() & pl.col("verdict").is_in(FLAGGED_VERDICTS)
    ).then(pl.format("; {}: engineering review", pl.col("_own_kind")))
    unverified = pl.when(
        pl.col("_is_fire_unverified") & (pl.col("verdict") != "not_assessed")
    ).then(
        pl.lit(
            "; the service line may carry fire flow and no fire arrangement is recorded: "
            "verify the fire service, engineering review"
        )
    )
    ends = (part.otherwise(pl.lit("")) for part in (critical, own_kind, unverified))
    text = pl.concat_str(_stopped(), body, _corrected(said), *ends, pl.lit("."))
    return pl.concat_str(text.str.head(1).str.to_uppercase(), text.str.slice(1))


def _corrected(said: Wording) -> pl.Expr:
    """That the gain is not what the reads alone say, and by how much."""
    factor = pl.col("gain_correction_factor")
    text = pl.format(
        "; its gain is multiplied by {}: what past change-outs brought of their promises",
        said.figure(factor),
    )
    is_said = pl.col("_is_other") & (factor != 1) & (pl.col("verdict") != "not_assessed")
    return pl.when(is_said).then(text).otherwise(pl.lit(""))


def _stopped() -> pl.Expr:
    """What comes before all else: what is drawn through a stopped meter is not known."""
    day = pl.col("_last_use_on")
    text = pl.format(
        "no registration since {}: find out why before choosing a size; in the months before, ",
        day,
    )
    is_said = day.is_not_null() & (pl.col("verdict") != "not_assessed")
    return pl.when(is_said).then(text).otherwise(pl.lit(""))


def _smaller_pays() -> pl.Expr:
    """What makes an account oversized, where another type is better still."""
    other_type = pl.col("recommended_type") != pl.col("installed_type")
    text = pl.format(
        "{} would handle the demand and pay for itself; better still, ", pl.col("_smaller")
    )
    is_said = (pl.col("verdict") == "oversized") & other_type
    return pl.when(is_said).then(text).otherwise(pl.lit(""))


def _pays(said: Wording) -> pl.Expr:
    return pl.format(
        f"{{}} handles the peak of {{}} {said.flow_unit} ({{}} to {{}}; SMOC {{}}) at {{}} % "
        "weighted accuracy, against {} % for {}: net benefit {} per year after all costs "
        "({} to {}), probability of positive net benefit {}",
        pl.col("_recommended"),
        *_peak(said),
        said.flow_figure(pl.col("_new_smoc")),
        said.figure(pl.col("recommended_accuracy_pct")),
        said.figure(pl.col("installed_accuracy_pct")),
        pl.col("_installed"),
        said.money(pl.col("net_benefit_usd_per_year")),
        said.money(pl.col("net_benefit_low_usd_per_year")),
        said.money(pl.col("net_benefit_high_usd_per_year")),
        _odds("odds_of_benefit"),
    )


def _tied() -> pl.Expr:
    """Why a meter that is worth a little more is not the choice."""
    text = pl.format("; {} is worth about the same and costs more", pl.col("_tied"))
    return pl.when(pl.col("_tied").is_not_null()).then(text).otherwise(pl.lit(""))


def _peak(said: Wording) -> tuple[pl.Expr, ...]:
    """The peak and the ends of its range."""
    names = ("peak_10s_gpm", "peak_10s_low_gpm", "peak_10s_high_gpm")
    return tuple(said.flow_figure(pl.col(name)) for name in names)


def _overload(verb: str, said: Wording) -> pl.Expr:
    """Which flow of the installed meter is over its rating, named by the larger odds."""
    unit = said.flow_unit
    by_peak = pl.format(
        f"the peak of {{}} {unit} ({{}} to {{}}) {verb} the safe maximum operating capacity "
        f"(SMOC) of {{}}, {{}} {unit}",
        *_peak(said),
        pl.col("_installed"),
        said.flow_figure(pl.col("_smoc")),
    )
    by_hour = pl.format(
        f"the sustained flow of {{}} {verb} the maximum continuous flow of {{}}, {{}}",
        said.flow(pl.col("sustained_60min_gpm")),
        pl.col("_installed"),
        said.flow(pl.col("_continuous")),
    )
    peak_is_worse = pl.col("_odds_over_smoc") >= pl.col("_odds_over_continuous")
    return pl.concat_str(
        pl.when(peak_is_worse).then(by_peak).otherwise(by_hour),
        pl.format(" (probability {})", _odds("odds_of_undersized")),
    )


def _undersized(said: Wording) -> pl.Expr:
    unshown = pl.lit(
        "; nothing on record confirms it (complaint, pressure record, peak register or log): "
        "log the site first"
    )
    cure = pl.format(
        "; {} handles peak and sustained flow (probability {})",
        pl.col("_recommended"),
        _odds("odds_of_fit"),
    )
    none = pl.format(
        "; no meter in the catalog may be installed here ({}): engineering review",
        pl.col("_blocked_by"),
    )
    is_larger = pl.col("recommended_size_in") > pl.col("installed_size_in")
    needs_line = pl.col("_is_line_blank") & is_larger
    blank_line = pl.format(
        "; the service line is not recorded: a new tap and line may cost {}, of which the "
        "expected part is in the cost of {}",
        said.money(pl.col("possible_cost_usd")),
        said.money(pl.col("change_cost_usd")),
    )
    shown = pl.format("; confirmed by {}", pl.col("_shown_by"))
    return pl.concat_str(
        _overload("exceeds", said),
        pl.when(pl.col("action") == "log_first")
        .then(unshown)
        .when(pl.col("_shown_by").is_not_null())
        .then(shown)
        .otherwise(pl.lit("")),
        pl.when(pl.col("_is_other")).then(cure).otherwise(none),
        pl.when(needs_line).then(blank_line).otherwise(pl.lit("")),
    )


def _log_for_gain(said: Wording, limits: Thresholds) -> pl.Expr:
    not_sure = pl.format(
        "its probability of positive net benefit is only {}", _odds("odds_of_benefit")
    )
    not_sure_to_fit = pl.format(
        "it is not proven to fit (probability {}; peak {} of a SMOC of {})",
        _odds("odds_of_fit"),
        said.flow(pl.col("peak_10s_gpm")),
        said.flow_figure(pl.col("_new_smoc")),
    )
    costly = pl.format(" for a change that costs {}", said.money(pl.col("change_cost_usd")))
    is_costly = pl.col("change_cost_usd") >= limits.costly_change_usd
    over_share = pl.col("peak_10s_gpm") > limits.design_peak_share * pl.col("_new_smoc")
    return pl.format(
        "{} may bring {} per year after all costs ({} to {}), but {}: "
        "logging the site first is worth about {} more than it costs",
        pl.col("_recommended"),
        said.money(pl.col("net_benefit_usd_per_year")),
        said.money(pl.col("net_benefit_low_usd_per_year")),
        said.money(pl.col("net_benefit_high_usd_per_year")),
        pl.when(over_share | (pl.col("odds_of_fit") < limits.odds_of_fit))
        .then(not_sure_to_fit)
        .when(is_costly)
        .then(pl.concat_str(not_sure, costly))
        .otherwise(not_sure),
        said.money(pl.col("expected_value_of_logging_usd")),
    )


def _log_for_fit(said: Wording) -> pl.Expr:
    return pl.concat_str(
        _overload("may exceed", said), pl.lit(": log the site before deciding")
    )


def _fits(said: Wording, limits: Thresholds) -> pl.Expr:
    may_be_over = pl.when(pl.col("odds_of_undersized") + limits.odds_of_fit > 1).then(
        pl.format("; probability of overload {}", _odds("odds_of_undersized"))
    )
    keeps = pl.format(
        "{} has a weighted accuracy of {} % and a peak of {} (SMOC {}{})",
        pl.col("_installed"),
        said.figure(pl.col("installed_accuracy_pct")),
        said.flow(pl.col("peak_10s_gpm")),
        said.flow_figure(pl.col("_smoc")),
        may_be_over.otherwise(pl.lit("")),
    )
    rival = pl.format(
        "; the best alternative, {}, has a net benefit of {} per year after all costs "
        "(probability of positive net benefit {})",
        pl.col("_rival"),
        said.money(pl.col("runner_up_net_benefit_usd_per_year")),
        _odds("_rival_odds"),
    )
    least = said.money_text(limits.min_net_benefit_usd_per_year)
    too_little = {
        "benefit_too_small": f"less than the {least} a year that a visit must bring",
        "gain_too_small": "with an accuracy gain below "
        f"{limits.min_gain_points:g} percentage points",
        "payback_too_long": f"with a payback above {limits.max_payback_years:g} years",
    }
    why = pl.col("_lost_by").replace_strict(too_little, default=None)
    rival = pl.concat_str(rival, pl.concat_str(pl.lit(", "), why).fill_null(""))
    alone = pl.lit(
        "; every other meter in the catalog is too small, larger without proven need or not"
        " allowed here"
    )
    has_rival = pl.col("_rival").is_not_null()
    return pl.concat_str(keeps, pl.when(has_rival).then(rival).otherwise(alone))
