"""Views for the analyst: what each answers, and what its own columns mean.

A view's statement is `sql/70_publish/<name>.sql`. Columns that it takes over from a table keep
that table's meaning; `own` holds the others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.results import GAIN_SAMPLE
from rightsize.contracts.sweeps import LANDED_FILE, PROFILE_SOURCE
from rightsize.contracts.table import Table
from rightsize.errors import ContractError
from rightsize.units.column_units import metric_name, unit_of


@dataclass(frozen=True)
class View:
    """One published view."""

    name: str
    meaning: str
    grain: str
    base: tuple[Table, ...]
    own: dict[str, str]

    def comment(self, column: str) -> str:
        """What the database says about one of its columns.

        Raises
        ------
        ContractError
            If nothing is stated about it.
        """
        if column in self.own:
            unit = unit_of(column)
            return f"[{unit}] {self.own[column]}" if unit else self.own[column]
        for table in self.base:
            if column in table.column_names:
                return table.column(column).comment
        raise ContractError(f"view {self.name}: column {column} has no stated meaning")

    def metric(self) -> View:
        """The same view over metric tables."""
        own = {metric_name(name): meaning for name, meaning in self.own.items()}
        return replace(self, base=tuple(t.metric() for t in self.base), own=own)


_SUMS: Final = {
    "accounts": "accounts of the class, assessed or not",
    "meters": "meters in service",
    "meters_assessed": "meters with a verdict",
    "meters_fitting": "meters with verdict fits",
    "meters_oversized": "meters with verdict oversized",
    "meters_undersized": "meters with verdict undersized",
    "meters_wrong_type": "meters with verdict wrong_type",
    "meters_to_change": "meters with action change",
    "meters_to_log": "meters with action log_first",
    "meters_to_refer": "meters with action refer",
    "meters_not_assessed": "meters without a verdict",
    "volume_gain_gal_per_year": "sum of volume gains where action is change",
    "revenue_gain_usd_per_year": "sum of revenue gains where action is change",
    "net_benefit_usd_per_year": "sum of net benefits where action is change",
    "net_benefit_low_usd_per_year": "low end of the 90 % range of that sum",
    "net_benefit_high_usd_per_year": "high end of the 90 % range of that sum",
    "change_cost_usd": "sum of costs where action is change",
    "unproven_net_benefit_usd_per_year": "sum of net benefits where action is log_first",
}

_TOTALS: Final = {
    "scope": "what is summed over: fleet, verdict, class or area",
    "name": "which of them",
    "changes": "meters with action change",
    **{
        f"{stem}{end}_{unit}": meaning + words
        for stem, unit, meaning in (
            ("volume_gain", "gal_per_year", "extra registered volume of all these changes"),
            ("revenue_gain", "usd_per_year", "extra volumetric charges of all these changes"),
            ("net_benefit", "usd_per_year", "net benefit of all these changes"),
        )
        for end, words in (
            ("", ", expected"),
            ("_low", ", low end of the 90 % range of the total"),
            ("_high", ", high end of the 90 % range of the total"),
        )
    },
}

_CHANGES: Final = {
    "change": "what moved: verdict, action, recommended meter, new, gone",
    "previous_sweep_id": "the sweep before",
    "previous_verdict": "verdict in the sweep before",
    "previous_action": "action in the sweep before",
    "previous_recommended_type": "type recommended in the sweep before",
    "previous_recommended_size_in": "nominal size recommended in the sweep before",
    "previous_net_benefit_usd_per_year": "net benefit in the sweep before",
    "has_new_reads": "reads of the meter differ from those of the sweep before",
    "has_meter_change": "meter, its type or its size differs from the sweep before",
    "has_config_change": "configuration, tariff, thresholds or class priors differ",
    "has_catalogue_change": "the meter catalogue differs",
    "has_code_change": "the version of rightsize differs",
    "why": "what may have moved it, in words; fleet-wide causes are named for every account",
    "is_settled": "the published verdict and action are the settled ones",
}

VIEWS: Final[tuple[View, ...]] = (
    View(
        "latest_recommendation",
        "The recommendation of every meter in service, of the latest sweep.",
        "one row a meter in service",
        (RECOMMENDATION,),
        {},
    ),
    View(
        "flagged_account",
        "Meters of the latest sweep that do not suit their demand, the most money first.",
        "one row a meter whose verdict is oversized, undersized or wrong_type",
        (RECOMMENDATION,),
        {"is_settled": _CHANGES["is_settled"]},
    ),
    View(
        "changed_since_previous_sweep",
        "Meters whose verdict, action or recommended meter moved since the sweep before, and"
        " why.",
        "one row a meter in service in either sweep that moved",
        (RECOMMENDATION,),
        _CHANGES,
    ),
    View(
        "fleet_total",
        "What all changes of the latest sweep bring together, with the range of the total.",
        "one row a total: the fleet, a verdict, a class, an area",
        (GAIN_SAMPLE,),
        _TOTALS,
    ),
    View(
        "class_summary",
        "The latest sweep by class of use: how meters suit, what changes bring.",
        "one row a customer class",
        (RECOMMENDATION,),
        _SUMS,
    ),
    View(
        "revenue_at_stake",
        "Flagged meters of the latest sweep by revenue gain, with running totals: how few carry"
        " how much.",
        "one row a flagged meter with a revenue gain above 0",
        (RECOMMENDATION,),
        {
            "place": "place by revenue gain, 1 the largest",
            "running_revenue_gain_usd_per_year": "revenue gain of this place and all before",
            "running_revenue_share": "that, over the revenue gain of all flagged meters",
        },
    ),
    View(
        "recommendation_source",
        "From each recommendation to the profile months and the landed files behind it.",
        "one row a sweep, meter, month of its profile and landed file of its bucket",
        (RECOMMENDATION, PROFILE_SOURCE, LANDED_FILE),
        {},
    ),
)
