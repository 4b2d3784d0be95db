"""What each change does to the customer's bill."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import Table, number, text
from rightsize.settings import CUSTOMER_CLASSES

_NO_CHARGE: Final = "the tariff has no charge for one of the sizes"

BILL_IMPACT: Final = Table(
    name="bill_impact",
    meaning="Bill of an average month before and after each change, base charge included, and a"
    " notice to the customer.",
    grain="one row per sweep and meter to change",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        text("customer_class", "customer class", allowed=CUSTOMER_CLASSES),
        *(
            number(f"{season}_bill_{when}_usd", meaning, null="allowed", null_means=_NO_CHARGE)
            for season, months in (
                ("winter", "month outside the tariff's summer_months"),
                ("summer", "month of the tariff's summer_months"),
                ("year", "month of the year"),
            )
            for when, meaning in (
                ("before", f"bill of an average {months}, as metered now"),
                (
                    "after",
                    f"the same with the new meter, before any leak is repaired: {months}",
                ),
            )
        ),
        number(
            "base_charge_before_usd",
            "base charge of a month, now",
            null="allowed",
            null_means=_NO_CHARGE,
        ),
        number(
            "base_charge_after_usd",
            "base charge of a month, with the new meter",
            null="allowed",
            null_means=_NO_CHARGE,
        ),
        number(
            "bill_change_pct",
            "change of the year's bill",
            null="allowed",
            null_means="no bill before, or no charge for one of the sizes",
        ),
        text("notice", "notice to the customer, without names"),
    ),
)
