"""The published result tables of a sweep.

Block files of a sweep (`assess/<sweep>/<table>/<block>.parquet`) hold the `Table.block_columns`
of these tables, in US units; publication adds the rest (sweep, settled verdict).
"""

from __future__ import annotations

from typing import Final

from rightsize.contracts.candidate import CANDIDATE
from rightsize.contracts.columns import ACCOUNT, ACTIONS, METER, SEVERITIES, SWEEP_ID, VERDICTS
from rightsize.contracts.demand import FLOW_BAND, MONTH_VOLUME, PROFILE
from rightsize.contracts.knowing.value_of_knowing import VALUE_OF_KNOWING
from rightsize.contracts.logs.flow_log_result import FLOW_LOG_RESULT
from rightsize.contracts.money import BILL_IMPACT, REPLACEMENT_AGE, YEAR_MONEY
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.sweeps import SWEEP, SWEEP_TABLES
from rightsize.contracts.table import Column, Table, number, text
from rightsize.contracts.testing.test_program import METER_TEST_TABLES
from rightsize.findings import FINDING_CODES, NOT_ASSESSED_CODES
from rightsize.settings import CUSTOMER_CLASSES, SERVICE_KINDS

__all__ = [
    "ACTIONS",
    "BILL_IMPACT",
    "BLOCK_TABLES",
    "CANDIDATE",
    "FINDING",
    "FLOW_BAND",
    "FLOW_LOG_RESULT",
    "GAIN_SAMPLE",
    "LARGEST_TABLE",
    "MONTH_VOLUME",
    "NOT_ASSESSED",
    "PROFILE",
    "RECOMMENDATION",
    "REPLACEMENT_AGE",
    "RESULT_TABLES",
    "SEVERITIES",
    "SWEEP",
    "VALUE_OF_KNOWING",
    "VERDICTS",
    "YEAR_MONEY",
]

FINDING: Final = Table(
    name="finding",
    meaning="Conditions that a field crew or analyst should know about, apart from the"
    " verdict.",
    grain="one row per sweep, meter and code",
    key=("sweep_id", "account_id", "meter_id", "code"),
    columns=(
        SWEEP_ID,
        text(
            "account_id",
            "account",
            null="allowed",
            null_means="the meter has no account",
        ),
        text(
            "meter_id", "meter", null="allowed", null_means="the finding applies to the account"
        ),
        text("code", "type of finding; see the list of findings", allowed=tuple(FINDING_CODES)),
        text("severity", "severity", allowed=SEVERITIES),
        text("message", "the finding in one sentence, with figures"),
        Column("evidence", "json", "figures behind it, keyed by name with unit"),
    ),
)

NOT_ASSESSED: Final = Table(
    name="not_assessed",
    meaning="Accounts without a verdict, and why.",
    grain="one row per sweep and account; one per meter if several are in service",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        text("meter_id", "meter in service", null="allowed", null_means="no meter is known"),
        text("code", "why it was not assessed", allowed=tuple(NOT_ASSESSED_CODES)),
        text("message", "the reason in one sentence, with figures"),
        text("customer_name", "customer, from meters.csv", null="allowed"),
        text("area", "district or route, from meters.csv", null="allowed"),
        text("service_address", "street address, from meters.csv", null="allowed"),
        text("customer_class", "customer class", null="allowed", allowed=CUSTOMER_CLASSES),
        text("service_kind", "type of service", null="allowed", allowed=SERVICE_KINDS),
        text("installed_type", "type of the meter in service", null="allowed"),
        number(
            "installed_size_in", "nominal size of the meter in service", null="allowed", low=0
        ),
    ),
)

GAIN_SAMPLE: Final = Table(
    name="gain_sample",
    meaning="Joint samples of the gain of each change: sum over accounts, sample by sample.",
    grain="one row per sweep, meter to change and sample",
    key=("sweep_id", "account_id", "meter_id", "sample"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        Column(
            "sample", "integer", "sample number; the same number is the same joint state", low=1
        ),
        number("volume_gain_gal_per_year", "extra registered volume in this sample"),
        number("revenue_gain_usd_per_year", "extra volumetric charges in this sample"),
        number("net_benefit_usd_per_year", "net benefit in this sample"),
    ),
    is_detail=True,
)

BLOCK_TABLES: Final[tuple[Table, ...]] = (
    RECOMMENDATION,
    CANDIDATE,
    GAIN_SAMPLE,
    YEAR_MONEY,
    BILL_IMPACT,
    REPLACEMENT_AGE,
    VALUE_OF_KNOWING,
    FLOW_BAND,
    PROFILE,
    FINDING,
    NOT_ASSESSED,
    MONTH_VOLUME,
    FLOW_LOG_RESULT,
    *METER_TEST_TABLES,
)
"""Tables that a sweep writes as block files."""

LARGEST_TABLE: Final = CANDIDATE
"""More rows than all others together: publication writes it in parallel."""

RESULT_TABLES: Final[tuple[Table, ...]] = (SWEEP, *BLOCK_TABLES, *SWEEP_TABLES)
"""Every published table, in the order of the data dictionary."""
