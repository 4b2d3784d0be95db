"""The table of a site page that shows what a change costs and brings, year by year."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rightsize.evidence.quantity import Units
from rightsize.evidence.site import Row, SiteEvidence

YEARS_SHOWN: Final = (0, 1, 2, 3, 5, 10)
"""Years after the change, beside the last of the new meter's life (our convention)."""
_LINES: Final = (
    ("revenue gain from use", ("use_gain_usd",)),
    ("from steady flow that no read shows", ("steady_gain_usd",)),
    (
        "wear, leak adjustments, water saved",
        ("wear_gain_usd", "leak_adjustment_usd", "avoided_water_usd"),
    ),
    (
        "cost, base charge, O&M, replacement in kind",
        (
            "change_cost_usd",
            "base_charge_usd",
            "upkeep_usd",
            "renewal_gain_usd",
            "renewal_credit_usd",
        ),
    ),
    ("sum of the year", ("net_usd",)),
    ("present value to date", ("present_value_usd",)),
)
_TOTALS: Final = ("net_usd", "present_value_usd")


@dataclass(frozen=True)
class YearLine:
    """One line of the table: what, and its dollars in each year shown."""

    name: str
    values: tuple[str, ...]
    is_total: bool


@dataclass(frozen=True)
class MoneyByYear:
    """The table: the years shown, and its lines."""

    years: tuple[str, ...]
    lines: tuple[YearLine, ...]
    sums: str  # in one line, for paper
    note: str


def money_by_year(site: SiteEvidence) -> MoneyByYear | None:
    """What the recommended change costs and brings; None where nothing is changed."""
    rows = sorted(site.year_money, key=lambda row: row["year"])
    if not rows:
        return None
    usd = Units(site.units).usd
    last = rows[-1]["year"]
    shown = [row for row in rows if row["year"] in YEARS_SHOWN or row["year"] == last]
    lines = tuple(
        YearLine(
            name,
            tuple(usd(sum(row[column] for column in columns)) for row in shown),
            columns[0] in _TOTALS,
        )
        for name, columns in _LINES
        if columns[0] in _TOTALS or any(row[c] for row in rows for c in columns)
    )
    years = tuple("start" if row["year"] == 0 else f"year {row['year']}" for row in shown)
    sums = "; ".join(f"{y} {usd(row['net_usd'])}" for y, row in zip(years, shown, strict=True))
    said = f"Money by year: {sums}; net present value {usd(rows[-1]['present_value_usd'])}."
    return MoneyByYear(years, lines, said, f"{_note(site, rows[1:])} {_bills(site)}".strip())


def _bills(site: SiteEvidence) -> str:
    """What the customer pays in an average month, before and after."""
    row = site.bill_impact
    if row is None or row["year_bill_before_usd"] is None or row["year_bill_after_usd"] is None:
        return ""
    usd = Units(site.units).usd
    winter, summer = (
        f"{usd(row[f'{season}_bill_before_usd'])} to {usd(row[f'{season}_bill_after_usd'])}"
        for season in ("winter", "summer")
    )
    charge = f"{usd(row['base_charge_before_usd'])} to {usd(row['base_charge_after_usd'])}"
    return (
        f"The customer's bill of an average month goes from {winter} in winter and {summer} in "
        f"summer, of it the base charge from {charge}."
    )


def _note(site: SiteEvidence, rows: list[Row]) -> str:
    """What of it is a leak, in the first year and in the third, and without it."""
    if not rows or not rows[0]["steady_gain_usd"]:
        return ""
    units, later = Units(site.units), rows[min(2, len(rows) - 1)]
    first = _steady(units, rows[0])
    left = site.recommendation.get("net_benefit_without_leak_usd_per_year")
    without = f" Repaired at once, the net benefit is {units.usd(left)} per year."
    return (
        f"Steady flow brings {first} and {_steady(units, later)} (90 % range), as leaks are"
        f" repaired.{without if left is not None else ''}"
    )


def _steady(units: Units, row: Row) -> str:
    ends = units.usd_range(row["steady_gain_low_usd"], row["steady_gain_high_usd"])
    return f"{ends} in year {row['year']}"
