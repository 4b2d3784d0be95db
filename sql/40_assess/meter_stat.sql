-- grain: one meter in service; key: meter_id
-- reads: bucket_month, meter_month
-- why: one year's sums of a meter, each month by its weight, maxima the largest; the read
--      interval is the one that covers most days. The register resolution that each month shows
--      is listed
-- units: in the names; month_step_gal [gal], null if no month shows one
create or replace temp table meter_stat as
with weighted as (
    select
        bucket_month.*,
        meter_month.weight
    from bucket_month
    join meter_month
        on bucket_month.meter_id = meter_month.meter_id
        and bucket_month.month = meter_month.month
),

by_interval as (
    select
        meter_id,
        interval_min,
        sum(shape_count) as shape_count,
        sum(shape_count * interval_min) as shape_min
    from weighted
    group by meter_id, interval_min
),

main_interval as (
    select
        meter_id,
        arg_max(interval_min, (shape_min, -interval_min)) as interval_min
    from by_interval
    group by meter_id
),

-- volume of the days covered, at the month's average rate, gaps included
rated as (
    select
        meter_id,
        month,
        sum(registered_gal * weight) * sum(days_covered) / sum(days_covered + gap_days)
            as registered_gal
    from weighted
    group by meter_id, month
),

year_volume as (
    select
        meter_id,
        sum(registered_gal) as registered_gal
    from rated
    group by meter_id
),

volumes as (
    select
        meter_id,
        sum(days_covered * weight) as days_covered,
        sum(read_count) as read_count,
        sum(estimated_count) as estimated_count,
        sum(estimated_gal * weight) as estimated_gal,
        sum(backward_gal * weight) as backward_gal,
        sum(gap_gal * weight) as gap_gal,
        min(first_at) as first_at,
        min(first_on) as first_on,
        max(last_on) as last_on,
        max(last_at) as last_at,
        epoch(max(last_at) - min(first_at)) / 86400
            - sum(days_covered * (1 - weight)) as span_days,
        max(peak_register_gpm) as peak_register_gpm,
        max(max_hour_gpm) as max_hour_gpm,
        max(max_day_gpm) as max_day_gpm,
        sum(day_ss * weight) as day_ss,
        sum(day_dof * weight) as day_dof,
        sum(day_count * weight) as day_count,
        sum(night_zero_count * weight) as night_zero_count,
        count(distinct month) as month_count,
        list(step_gal) filter (where step_gal is not null) as month_step_gal
    from weighted
    group by meter_id
),

shapes as (
    select
        weighted.meter_id,
        weighted.interval_min,
        sum(weighted.shape_count * weighted.weight) as reads_used,
        sum(weighted.zero_count * weighted.weight) as zero_count,
        max(weighted.max_interval_gpm) as max_interval_gpm,
        sum(within_ss * weighted.weight) as within_ss,
        sum(within_dof * weighted.weight) as within_dof,
        sum(within_mean_sum * weighted.weight) as within_mean_sum,
        sum(lag1_ss * weighted.weight) as lag1_ss,
        sum(lag2_ss * weighted.weight) as lag2_ss,
        sum(lag3_ss * weighted.weight) as lag3_ss,
        sum(lag1_count * weighted.weight) as lag1_count,
        sum(lag2_count * weighted.weight) as lag2_count,
        sum(lag3_count * weighted.weight) as lag3_count,
        sum(slot_ss * weighted.weight) as slot_ss,
        sum(slot_step_ss * weighted.weight) as slot_step_ss
    from weighted
    join main_interval
        on weighted.meter_id = main_interval.meter_id
        and weighted.interval_min = main_interval.interval_min
    group by weighted.meter_id, weighted.interval_min
),

stopped as (
    select
        meter_id,
        any_value(is_stopped) as is_stopped,
        any_value(last_use_at) as last_use_at
    from meter_month
    group by meter_id
)

select
    volumes.*,
    year_volume.registered_gal,
    shapes.* exclude (meter_id),
    stopped.is_stopped,
    stopped.last_use_at
from volumes
join year_volume on volumes.meter_id = year_volume.meter_id
join shapes on volumes.meter_id = shapes.meter_id
join stopped on volumes.meter_id = stopped.meter_id
order by volumes.meter_id;
