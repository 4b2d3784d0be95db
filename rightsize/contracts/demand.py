"""What is known about the flow, by account and by flow band."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import (
    Column,
    Rule,
    Table,
    count,
    interval_columns,
    interval_rule,
    number,
    text,
)

FLOW_BAND: Final = Table(
    name="flow_band",
    meaning="Best estimate of time and volume by flow band. The share of time without flow is"
    " 1 minus the sum of time_share.",
    grain="one row per sweep, meter in service and flow band with any time or volume",
    key=("sweep_id", "account_id", "meter_id", "band_from_gpm"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        number("band_from_gpm", "lower edge of the band, included", low=0),
        number("band_to_gpm", "upper edge of the band, excluded", low=0),
        number("time_share", "share of time with instantaneous flow in the band"),
        number("actual_volume_share", "share of the actual volume in the band"),
        number("actual_volume_low_share", "low end of the 90 % interval"),
        number("actual_volume_high_share", "high end of the 90 % interval"),
        number(
            "registered_volume_share",
            "share of the registered volume in the band",
            null="allowed",
        ),
    ),
    rules=(
        interval_rule("actual_volume", "share"),
        Rule("band_has_width", "band_from_gpm < band_to_gpm"),
    ),
    is_detail=True,
)

MONTH_VOLUME: Final = Table(
    name="month_volume",
    meaning="Registered volume of each meter by month, including removed meters.",
    grain="one row per sweep, account, meter and local month; the newest 13 in the lake",
    key=("sweep_id", "account_id", "meter_id", "month"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        text("meter_id", "meter in service at the account in the month"),
        text("month", "local month, YYYY-MM"),
        number("days_covered", "days of reads: intervals with a read, in days", low=0),
        number("registered_gal", "registered volume, including estimates and gaps"),
        number("estimated_gal", "part of it that is estimated by the head-end or questionable"),
        number("gap_gal", "part of it from gaps in the reads, spread over the gap"),
    ),
    is_detail=True,
)

PROFILE: Final = Table(
    name="profile",
    meaning="Demand of an account: volume, peaks and low flow, with their ranges.",
    grain="one row per sweep and meter in service with enough reads",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        Column(
            "first_read_on",
            "date",
            "local day of the first read in the profile (trailing year)",
            "allowed",
        ),
        Column(
            "last_read_on",
            "date",
            "local day of the last read in the profile",
            "allowed",
        ),
        number("interval_min", "read interval", low=0),
        number(
            "resolution_gal",
            "register resolution: as listed, otherwise learned from the reads",
            null="allowed",
            low=0,
        ),
        number(
            "days_covered", "days of reads: intervals with a read, in days, without gaps", low=0
        ),
        count("reads_used", "measured or edited reads, used for flow rates"),
        number("estimated_share", "share of reads estimated by the head-end"),
        number(
            "registered_gal_per_year",
            "volume registered by the installed meter, annualized, without"
            " `leak_left_out_gal_per_year`",
            low=0,
        ),
        number(
            "leak_left_out_gal_per_year",
            "registered volume of a possible leak that began in the year, annualized: left out"
            " of every other volume, flow and peak here but the minimum night flow; 0 if none",
            null="allowed",
            null_means="published before leaks were left out",
            low=0,
        ),
        *interval_columns("actual", "gal_per_year", "actual volume through the meter", low=0),
        number(
            "unseen_gal_per_year",
            "volume below the installed meter's starting flow",
            null="allowed",
            low=0,
        ),
        number(
            "minimum_night_flow_gpm",
            "low percentile of the minimum hourly flow between midnight and 6 a.m.",
            null="allowed",
            low=0,
        ),
        number("zero_share", "share of intervals with zero registration"),
        number(
            "low_flow_share",
            "share of actual volume below the installed meter's normal minimum flow",
            null="allowed",
        ),
        number(
            "below_start_share",
            "share of actual volume below its starting flow",
            null="allowed",
        ),
        number(
            "draw_volume_gal",
            "typical volume of one use event",
            null="allowed",
            null_means="no use events were detected",
            low=0,
        ),
        number("mean_flow_gpm", "average registered flow", null="allowed", low=0),
        number(
            "peak_interval_gpm",
            "maximum average flow over one read interval",
            null="allowed",
            low=0,
        ),
        number(
            "peak_60min_gpm",
            "maximum hourly average flow in the reads",
            null="allowed",
            null_means="no full hour in the reads: read intervals are longer",
            low=0,
        ),
        number(
            "peak_day_gpm",
            "maximum daily average flow, over local days with at least 20 hours of reads",
            null="allowed",
            null_means="no such day in the reads",
            low=0,
        ),
        *interval_columns(
            "peak_10s",
            "gpm",
            "10-second peak flow, exceeded 0.001 % of the time",
            null="allowed",
            low=0,
        ),
        *interval_columns(
            "peak_1min",
            "gpm",
            "1-minute peak flow, exceeded 0.001 % of the time",
            null="allowed",
            low=0,
        ),
        *interval_columns(
            "sustained_60min",
            "gpm",
            "sustained flow: hourly average exceeded 0.5 % of the time",
            null="allowed",
            low=0,
        ),
        number(
            "above_continuous_share",
            "share of time above the installed meter's continuous rating",
            null="allowed",
        ),
        number(
            "peak_register_gpm",
            "peak flow reported by the register itself",
            null="allowed",
            null_means="not in the export",
            low=0,
        ),
    ),
    rules=(
        interval_rule("actual", "gal_per_year"),
        interval_rule("peak_10s", "gpm"),
        interval_rule("peak_1min", "gpm"),
        interval_rule("sustained_60min", "gpm"),
    ),
)
