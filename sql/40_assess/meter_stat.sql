-- grain: one meter in service; key: meter_id
-- reads: month_stat files ($stat_files), meter_month
-- why: a year's sums of one meter; volumes and counts weighted by season, sums of squares as
--      they are, maxima the greatest; the read interval is the one that covers most days
-- units: in the names
create or replace temp table meter_stat as
with stat as (
    select
        columns(* exclude (filename)),
        strptime(regexp_extract(filename, 'month=(\d{4}-\d{2})', 1), '%Y-%m')::date as month
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
),

weighted as (
    select
        stat.*,
        meter_month.weight
    from stat
    join meter_month
        on stat.meter_id = meter_month.meter_id and stat.month = meter_month.month
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

volumes as (
    select
        meter_id,
        sum(days_covered) as days_covered,
        sum(read_count) as read_count,
        sum(estimated_count) as estimated_count,
        sum(registered_gal * weight) as registered_gal,
        sum(estimated_gal) as estimated_gal,
        sum(backward_gal) as backward_gal,
        sum(gap_gal) as gap_gal,
        min(first_at) as first_at,
        max(last_at) as last_at,
        epoch(max(last_at) - min(first_at)) / 86400 as span_days,
        max(peak_register_gpm) as peak_register_gpm,
        max(max_hour_gpm) as max_hour_gpm,
        max(max_day_gpm) as max_day_gpm,
        sum(day_ss) as day_ss,
        sum(day_dof) as day_dof,
        sum(day_count) as day_count,
        sum(night_zero_count * weight) as night_zero_count,
        count(distinct month) as month_count
    from weighted
    group by meter_id
),

shapes as (
    select
        weighted.meter_id,
        weighted.interval_min,
        sum(weighted.shape_count) as reads_used,
        sum(weighted.zero_count * weighted.weight) as zero_count,
        max(weighted.max_interval_gpm) as max_interval_gpm,
        sum(within_ss) as within_ss,
        sum(within_dof) as within_dof,
        sum(within_mean_sum) as within_mean_sum,
        sum(lag1_ss) as lag1_ss,
        sum(lag2_ss) as lag2_ss,
        sum(lag3_ss) as lag3_ss,
        sum(lag1_count) as lag1_count,
        sum(lag2_count) as lag2_count,
        sum(lag3_count) as lag3_count,
        sum(slot_ss) as slot_ss,
        sum(slot_step_ss) as slot_step_ss
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
    shapes.* exclude (meter_id),
    stopped.is_stopped,
    stopped.last_use_at
from volumes
join shapes on volumes.meter_id = shapes.meter_id
join stopped on volumes.meter_id = stopped.meter_id
order by volumes.meter_id;
