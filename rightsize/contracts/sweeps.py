"""What is published about the sweeps themselves: counts, settings, files behind each result."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import SWEEP_ID
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.contracts.table import (
    Column,
    Rule,
    Table,
    count,
    number,
    text,
)

SWEEP: Final = Table(
    name="sweep",
    meaning="Sweeps whose results are held, with their row and account balance.",
    grain="one row a sweep",
    key=("sweep_id",),
    columns=(
        SWEEP_ID,
        text("utility", "utility as the configuration names it"),
        Column("started_at", "timestamp", "when the sweep began"),
        Column("finished_at", "timestamp", "when its results were ready to publish"),
        text("config_hash", "hash of configuration, tariff and thresholds"),
        text("catalogue_hash", "hash of the meter catalogue"),
        text("meters_hash", "hash of the meter list"),
        text("lake_hash", "hash of the landed files that the sweep read"),
        text("code_version", "version of rightsize, with the revision where it is known"),
        text("units", "units of the published columns", allowed=("us", "metric")),
        text("timezone", "zone of the local days and months"),
        count("accounts", "accounts in service in the meter list"),
        count("assessed", "accounts with a verdict"),
        count("not_assessed", "accounts without, each with its reason"),
        count("rows_landed", "rows of all exports that the sweep rests on"),
        count("rows_accepted", "rows that count"),
        count("rows_rejected", "rows refused, each in rejected_read with its rule"),
        count("rows_superseded", "rows replaced by another read of the same meter and time"),
        number("accepted_gal", "volume of the rows that count"),
        number("superseded_gal", "volume of the rows replaced"),
        count(
            "buckets",
            "buckets of the lake: a meter's bucket is md5_number_lower(meter_id) % buckets",
        ),
    ),
    rules=(
        Rule("accounts_balance", "accounts = assessed + not_assessed"),
        Rule("rows_balance", "rows_landed = rows_accepted + rows_rejected + rows_superseded"),
        Rule("time_runs_forward", "started_at <= finished_at"),
    ),
)

SWEEP_DOCUMENT: Final = Table(
    name="sweep_document",
    meaning="Configuration, tariff, thresholds, catalogue and class priors as they were.",
    grain="one row a sweep and document",
    key=("sweep_id", "document"),
    columns=(
        SWEEP_ID,
        text("document", "config, tariff, thresholds, catalogue or priors"),
        text("content_hash", "hash of the content"),
        Column("content", "json", "the document, every default filled in"),
    ),
)

PROFILE_SOURCE: Final = Table(
    name="profile_source",
    meaning="From a month of profile to the landed files behind it, with the volume each gave.",
    grain="one row a sweep, month, bucket, kind of read and landed file",
    key=("sweep_id", "month", "bucket", "kind", "file_hash"),
    columns=(
        SWEEP_ID,
        text("month", "local month, YYYY-MM"),
        Column("bucket", "integer", "bucket of meters", low=0),
        text("kind", "interval or register reads", allowed=("interval", "register")),
        text("file_hash", "content hash of the landed file"),
        count("rows", "rows of the file in this month and bucket"),
        count("current_rows", "rows that count"),
        count("superseded_rows", "rows that another read replaced"),
        number("current_gal", "volume that counts"),
        number("superseded_gal", "volume replaced"),
    ),
    rules=(Rule("rows_balance", "rows = current_rows + superseded_rows"),),
)

LANDED_FILE: Final = Table(
    name="landed_file",
    meaning="Every export file ever landed.",
    grain="one row a landed file, by content",
    key=("file_hash",),
    columns=(
        text("file_hash", "hash of the content", origin="publish"),
        text(
            "export_name",
            "export as the configuration names it",
            null="allowed",
            origin="publish",
        ),
        text("path", "where it lay when it was landed", null="allowed", origin="publish"),
        text("layout", "layout of the export", null="allowed", origin="publish"),
        Column("landed_at", "timestamp", "when it was landed", "allowed", origin="publish"),
        count("rows_landed", "rows it held", origin="publish"),
        count("rows_rejected", "rows refused", origin="publish"),
    ),
    has_history=False,
)

REJECTED_READ: Final = Table(
    name="rejected_read",
    meaning="Rows of exports that were refused, with the rule they broke.",
    grain="one row a refused row of a landed file",
    key=(),
    columns=(
        text("file_hash", "content hash of the landed file", null="allowed", origin="publish"),
        text("source_file", "file", null="allowed", origin="publish"),
        Column(
            "source_line",
            "integer",
            "line, the heading being line 1",
            "allowed",
            low=0,
            origin="publish",
        ),
        text("meter_id", "meter, where the row names one", null="allowed", origin="publish"),
        text("rule", "rule the row broke", origin="publish"),
        text("value", "what stood there", null="allowed", origin="publish"),
    ),
    has_history=False,
)

SWEEP_TABLES: Final[tuple[Table, ...]] = (
    SWEEP_DOCUMENT,
    PROFILE_SOURCE,
    LANDED_FILE,
    REJECTED_READ,
    REALISED_GAIN,
)
