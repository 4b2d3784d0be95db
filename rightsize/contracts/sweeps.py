"""Published tables about the sweeps: counts, settings, and the files behind each result."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import SWEEP_ID
from rightsize.contracts.realised_gain import LEAK_PERSISTENCE, REALISED_GAIN
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
    meaning="Sweeps in the history, with their row and account balance.",
    grain="one row per sweep",
    key=("sweep_id",),
    columns=(
        SWEEP_ID,
        text("utility", "utility, from the configuration"),
        Column("started_at", "timestamp", "when the sweep started"),
        Column("finished_at", "timestamp", "when its results were ready for publication"),
        text("config_hash", "hash of configuration, tariff and thresholds"),
        text("catalogue_hash", "hash of the meter catalog"),
        text(
            "meters_hash",
            "hash of the meter list, and of change-out log and weather series if given",
        ),
        text("lake_hash", "hash of the landed files used"),
        text("code_version", "version of rightsize, with the revision if known"),
        text("units", "units of the published columns", allowed=("us", "metric")),
        text("timezone", "time zone of local days and months"),
        count("accounts", "accounts in service, from the meter list"),
        count("assessed", "accounts with a verdict"),
        count("not_assessed", "accounts without a verdict, each with a reason"),
        count(
            "rows_landed",
            "rows in all landed exports, less those deleted as keep_reads_months says",
        ),
        count("rows_accepted", "rows accepted and not superseded"),
        count("rows_rejected", "rejected rows, each in rejected_read with its rule"),
        count("rows_superseded", "rows superseded by another read of the same meter and time"),
        number("accepted_gal", "volume of the accepted rows"),
        number("superseded_gal", "volume of the superseded rows"),
        count(
            "buckets",
            "number of buckets in the lake: a meter's bucket is md5_number_lower(meter_id) %"
            " buckets",
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
    meaning="Configuration, tariff, thresholds, catalog and class priors in effect.",
    grain="one row per sweep and document",
    key=("sweep_id", "document"),
    columns=(
        SWEEP_ID,
        text(
            "document",
            "config, tariff, thresholds, catalogue or priors; accuracy_tests,"
            " change_out_log, flow_logs, gain_correction and leak_repair where used",
        ),
        text("content_hash", "hash of the content"),
        Column("content", "json", "the document, defaults included"),
    ),
)

PROFILE_SOURCE: Final = Table(
    name="profile_source",
    meaning="Landed files behind each profile month, with the volume from each.",
    grain="one row per sweep, month, bucket, kind of read and landed file",
    key=("sweep_id", "month", "bucket", "kind", "file_hash"),
    columns=(
        SWEEP_ID,
        text("month", "local month, YYYY-MM"),
        Column("bucket", "integer", "bucket of meters", low=0),
        text("kind", "interval or register reads", allowed=("interval", "register")),
        text("file_hash", "content hash of the landed file"),
        count("rows", "rows of the file in this month and bucket"),
        count("current_rows", "rows accepted and not superseded"),
        count("superseded_rows", "rows superseded by another read"),
        number("current_gal", "volume of the current rows"),
        number("superseded_gal", "volume of the superseded rows"),
    ),
    rules=(Rule("rows_balance", "rows = current_rows + superseded_rows"),),
)

LANDED_FILE: Final = Table(
    name="landed_file",
    meaning="Every export file ever landed.",
    grain="one row per landed file, by content",
    key=("file_hash",),
    columns=(
        text("file_hash", "hash of the content", origin="publish"),
        text(
            "export_name",
            "export, as named in the configuration",
            null="allowed",
            origin="publish",
        ),
        text("path", "path when it was landed", null="allowed", origin="publish"),
        text("layout", "layout of the export", null="allowed", origin="publish"),
        Column("landed_at", "timestamp", "when it was landed", "allowed", origin="publish"),
        count(
            "rows_landed",
            "rows in the file, less those deleted as keep_reads_months says",
            origin="publish",
        ),
        count("rows_rejected", "rows rejected", origin="publish"),
    ),
    has_history=False,
)

REJECTED_READ: Final = Table(
    name="rejected_read",
    meaning="Rejected rows of the exports, with the rule each failed.",
    grain="one row per rejected row of a landed file",
    key=(),
    columns=(
        text("file_hash", "content hash of the landed file", null="allowed", origin="publish"),
        text("source_file", "file path", null="allowed", origin="publish"),
        Column(
            "source_line",
            "integer",
            "line number; the header is line 1",
            "allowed",
            low=0,
            origin="publish",
        ),
        text("meter_id", "meter, if the row names one", null="allowed", origin="publish"),
        text("rule", "rule that the row failed", origin="publish"),
        text("value", "value in the row", null="allowed", origin="publish"),
    ),
    has_history=False,
)

SWEEP_TABLES: Final[tuple[Table, ...]] = (
    SWEEP_DOCUMENT,
    PROFILE_SOURCE,
    LANDED_FILE,
    REJECTED_READ,
    REALISED_GAIN,
    LEAK_PERSISTENCE,
)
