-- grain: one meter in service and month used; key: meter_id, month
-- reads: month_stat files ($stat_files), meter_in_service
-- why: the trailing year, each calendar month weighted to its share of a year, so that
--      thirteen months or a half-read month tilt no season; a stopped meter is judged on the
--      months before it stopped
-- units: weight [1]; the weighted days of a meter sum to its days_covered
create or replace temp table meter_month as
with stat as (
    select
        meter_id,
        strptime(regexp_extract(filename, 'month=(\d{4}-\d{2})', 1), '%Y-%m')::date as month,
        days_covered,
        shape_count * interval_min / 1440 as shape_days,
        registered_gal,
        last_at,
        last_use_at
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
),

monthly as (
    select
        meter_id,
        month,
        sum(days_covered) as days_covered,
        sum(shape_days) as shape_days,
        sum(registered_gal) as registered_gal,
        max(last_at) as last_at,
        max(last_use_at) as last_use_at
    from stat
    group by meter_id, month
),

last_use as (
    select
        meter_id,
        max(month) as newest_month,
        max(last_at) as last_at,
        max(last_use_at) as last_use_at
    from monthly
    group by meter_id
),

-- a whole month without registration before the last use tells a seasonal account
idle_before as (
    select
        monthly.meter_id,
        count(*) as idle_months
    from monthly
    join last_use on monthly.meter_id = last_use.meter_id
    where
        monthly.month < date_trunc('month', last_use.last_use_at)
        and monthly.days_covered >= 20
        and monthly.registered_gal = 0
    group by monthly.meter_id
),

ends as (
    select
        last_use.meter_id,
        last_use.newest_month,
        last_use.last_use_at,
        coalesce(last_use.last_at - last_use.last_use_at, interval 0 day)
            > to_days($stopped_after_days::integer)
        and idle_before.idle_months is null
        and meter_in_service.is_seasonal is not true as is_stopped
    from last_use
    join meter_in_service on last_use.meter_id = meter_in_service.meter_id
    left join idle_before on last_use.meter_id = idle_before.meter_id
),

in_window as (
    select
        monthly.meter_id,
        monthly.month,
        monthly.days_covered,
        monthly.shape_days,
        ends.is_stopped,
        ends.last_use_at
    from monthly
    join ends on monthly.meter_id = ends.meter_id
    where
        monthly.month > ends.newest_month - to_months($window_months::integer)
        and (not ends.is_stopped or monthly.month < date_trunc('month', ends.last_use_at))
),

calendar as (
    select
        meter_id,
        month(month) as calendar_month,
        max(day(last_day(month))) as month_days,
        sum(days_covered) as days_covered
    from in_window
    group by meter_id, calendar_month
),

totals as (
    select
        meter_id,
        sum(days_covered) as days_covered,
        sum(month_days) as month_days
    from calendar
    group by meter_id
)

select
    in_window.meter_id,
    in_window.month,
    in_window.days_covered,
    in_window.shape_days,
    in_window.is_stopped,
    in_window.last_use_at,
    calendar.month_days / nullif(calendar.days_covered, 0)
        * totals.days_covered / totals.month_days as weight
from in_window
join calendar
    on in_window.meter_id = calendar.meter_id
    and month(in_window.month) = calendar.calendar_month
join totals on in_window.meter_id = totals.meter_id
where in_window.days_covered > 0;
