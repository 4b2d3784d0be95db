"""What is known of the flow: by account and by band of flow rate."""

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
    meaning="How an account's flow spreads over bands of flow rate, at best estimate. Time at"
    " rest is 1 less the sum of time_share.",
    grain="one row a sweep, meter in service and flow band that holds any time or volume",
    key=("sweep_id", "account_id", "meter_id", "band_from_gpm"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        number("band_from_gpm", "lower edge of the band, included", low=0),
        number("band_to_gpm", "upper edge of the band, excluded", low=0),
        number("time_share", "share of time that the instantaneous flow lies in the band"),
        number("actual_volume_share", "share of the actual volume that passes in the band"),
        number("actual_volume_low_share", "low end of the 90 % interval"),
        number("actual_volume_high_share", "high end of the 90 % interval"),
        number(
            "registered_volume_share",
            "share of the registered volume that passes in the band",
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
    meaning="What each meter registered month by month, meters taken out included.",
    grain="one row a sweep, account, meter and local month of the newest 13 in the lake",
    key=("sweep_id", "account_id", "meter_id", "month"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        text("meter_id", "meter that was in service at the account in the month"),
        text("month", "local month, YYYY-MM"),
        number("days_covered", "days' worth of intervals with a read", low=0),
        number("registered_gal", "volume registered, estimates and gaps included"),
        number("estimated_gal", "of it, estimated by the head-end or questionable"),
        number("gap_gal", "of it, passed while reads were missing, spread over that time"),
    ),
    is_detail=True,
)

PROFILE: Final = Table(
    name="profile",
    meaning="What is known of an account's draw: volume, peaks, low flow, and how well.",
    grain="one row a sweep and meter in service that has reads enough",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        Column(
            "first_read_on",
            "date",
            "local day of the first read that the profile holds (its trailing year)",
            "allowed",
        ),
        Column(
            "last_read_on",
            "date",
            "local day of the last read that the profile holds",
            "allowed",
        ),
        number("interval_min", "length of a read interval", low=0),
        number(
            "resolution_gal",
            "smallest step of the register: as listed, else learnt from its reads",
            null="allowed",
            low=0,
        ),
        number("days_covered", "days' worth of intervals with a read, gaps left out", low=0),
        count("reads_used", "reads that shape the profile: measured or edited"),
        number("estimated_share", "share of reads that are estimates of the head-end"),
        number(
            "registered_gal_per_year",
            "volume the installed meter registers, brought to a year",
            low=0,
        ),
        *interval_columns("actual", "gal_per_year", "volume that passed", low=0),
        number(
            "unseen_gal_per_year",
            "volume that passed below the installed meter's starting flow",
            null="allowed",
            low=0,
        ),
        number(
            "minimum_night_flow_gpm",
            "low percentile of the least 60 min mean between 0 and 6 h",
            null="allowed",
            low=0,
        ),
        number("zero_share", "share of intervals that registered nothing"),
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
            "typical volume of one draw",
            null="allowed",
            null_means="no draws were seen",
            low=0,
        ),
        number("mean_flow_gpm", "mean registered flow", null="allowed", low=0),
        number("peak_interval_gpm", "largest mean of one read interval", null="allowed", low=0),
        number(
            "peak_60min_gpm",
            "largest 60 min mean read",
            null="allowed",
            null_means="no full hour was read: reads are longer",
            low=0,
        ),
        number(
            "peak_day_gpm",
            "largest mean of a local day of which 20 hours or more were read",
            null="allowed",
            null_means="no such day was read",
            low=0,
        ),
        *interval_columns(
            "peak_10s", "gpm", "10 s flow exceeded 0.001 % of the time", null="allowed", low=0
        ),
        *interval_columns(
            "peak_1min", "gpm", "1 min flow exceeded 0.001 % of the time", null="allowed", low=0
        ),
        *interval_columns(
            "sustained_60min",
            "gpm",
            "60 min mean exceeded 0.5 % of the time",
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
            "peak flow that the register itself reports",
            null="allowed",
            null_means="the export carries none",
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
