-- placed_read: every row of the current file, in UTC and gallons, with all rules applied.
-- grain: one read of the file; key: source_line (layout wide: and begin_at).
-- units: begin_at (UTC; begin_us [us since 1970]) is the start of an interval, or the time of
--   a register reading;
--   amount_gal [gal], multiplier applied; interval_min [min]; peak_register_gpm [gpm];
--   gal_per_count [gal] is the volume of one register count.
-- reads: judged_read, landing_meter, folded_read, the macros wall_to_utc_us and is_gap and the
--   variables of one landing.
-- why: the last rules need the meter and the time zone: an hour skipped in spring, more water
--   than a meter can pass, more digits than the register has.
create or replace temp view placed_read as
with judged as (from judged_read),
meter as (from landing_meter),
folded as (from folded_read),
timed as (
    select
        judged.source_line,
        judged.meter_id,
        meter.meter_name,
        meter.meter_key,
        meter.bucket,
        coalesce(judged.interval_min, getvariable('interval_min')::float) as interval_min,
        case
            when judged.is_utc then epoch_us(judged.stamp_at)
            else wall_to_utc_us(judged.stamp_at, coalesce(folded.is_second, false))
        end as stamp_us,
        not judged.is_utc and is_gap(judged.stamp_at) as is_nonexistent,
        judged.gal_per_unit * coalesce(meter.multiplier, 1) as gal_per_count,
        judged.amount,
        meter.register_digits,
        judged.peak_gpm as peak_register_gpm,
        judged.quality,
        judged.rule,
        judged.value
    from judged
    left join meter on meter.meter_id = judged.meter_id
    left join folded on folded.source_line = judged.source_line
),
ruled as (
    select
        source_line, meter_id, meter_name, meter_key, bucket, interval_min,
        gal_per_count, amount,
        amount * gal_per_count as amount_gal,
        register_digits, peak_register_gpm, quality, value, stamp_us,
        case
            when getvariable('is_stamped_at_end')
                then stamp_us - (interval_min * 60e6)::bigint
            else stamp_us
        end as begin_us,
        case
            when rule is not null then rule
            when is_nonexistent then 'time_nonexistent'
            when getvariable('amount_name') = 'volume'
                and amount * gal_per_count > getvariable('max_flow_gpm') * interval_min
                then 'volume_implausible'
            when getvariable('amount_name') = 'reading' and amount >= 10 ^ register_digits
                then 'reading_beyond_dials'
        end as rule
    from timed
)
select
    source_line, meter_id, meter_name, meter_key, bucket, begin_us,
    make_timestamp(begin_us) as begin_at, interval_min,
    amount_gal, quality,
    peak_register_gpm, gal_per_count,
    case when register_digits < 300 then 10 ^ register_digits * gal_per_count end
        as dial_limit_gal,
    rule,
    case
        when rule is null then null
        when value is not null then value
        when rule = 'time_nonexistent' then strftime(make_timestamp(stamp_us), '%Y-%m-%dT%H:%M:%SZ')
        else regexp_replace(amount::varchar, '\.0$', '')
    end as value
from ruled
