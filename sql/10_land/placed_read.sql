-- placed_read: every row of the file at hand, in UTC and gallons, with its lake partition.
-- grain: one row a read of the file. key: source_line.
-- units: begin_at (UTC) is the start of an interval, or the time of a register reading;
--   amount_gal [gal], multiplier applied; interval_min [min]; peak_register_gpm [gpm].
-- reads: judged_read, landing_meter, folded_read, the macros wall_to_utc, is_gap, month_of
--   and the variables of one landing.
-- why: the last rules need what only meter and zone can tell: an hour skipped in spring,
--   more water than a meter can pass, more digits than the register has dials.
create or replace temp table placed_read as
with judged as (from judged_read),
meter as (from landing_meter),
folded as (from folded_read),
timed as (
    select
        judged.source_line,
        judged.meter_id,
        meter.meter_key,
        meter.bucket,
        coalesce(judged.interval_min, getvariable('interval_min')::float) as interval_min,
        case
            when judged.is_utc then judged.stamp_at
            else wall_to_utc(judged.stamp_at, coalesce(folded.is_second, false))
        end as stamp_at,
        not judged.is_utc and is_gap(judged.stamp_at) as is_nonexistent,
        judged.amount * judged.gal_per_unit * coalesce(meter.multiplier, 1) as amount_gal,
        judged.gal_per_unit * coalesce(meter.multiplier, 1) as gal_per_count,
        judged.amount,
        meter.register_digits,
        case
            when meter.register_digits < 300
                then 10 ^ meter.register_digits * judged.gal_per_unit
                    * coalesce(meter.multiplier, 1)
        end as dial_limit_gal,
        judged.peak_gpm as peak_register_gpm,
        judged.quality,
        coalesce(meter.multiplier, 1)::float as multiplier,
        judged.rule,
        judged.value
    from judged
    left join meter on meter.meter_id = judged.meter_id
    left join folded on folded.source_line = judged.source_line
),
ruled as (
    select
        source_line, meter_id, meter_key, bucket, interval_min, amount_gal,
        peak_register_gpm, quality, multiplier, value, amount, stamp_at, dial_limit_gal,
        gal_per_count,
        case
            when getvariable('is_stamped_at_end') then stamp_at - to_seconds(60 * interval_min)
            else stamp_at
        end as begin_at,
        case
            when rule is not null then rule
            when is_nonexistent then 'time_nonexistent'
            when getvariable('amount_name') = 'volume'
                and amount_gal > getvariable('max_flow_gpm') * interval_min
                then 'volume_implausible'
            when getvariable('amount_name') = 'reading' and amount >= 10 ^ register_digits
                then 'reading_beyond_dials'
        end as rule
    from timed
)
select
    source_line, meter_id, meter_key, bucket, begin_at,
    month_of(begin_at) as month,
    interval_min, amount_gal, quality, peak_register_gpm, multiplier,
    dial_limit_gal, gal_per_count, rule,
    case
        when rule is null then null
        when value is not null then value
        when rule = 'time_nonexistent' then strftime(stamp_at, '%Y-%m-%dT%H:%M:%SZ')
        else amount::varchar
    end as value
from ruled
