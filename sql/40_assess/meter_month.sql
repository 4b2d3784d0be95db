-- grain: one meter in service and month used; key: meter_id, month
-- reads: month_stat files ($stat_files), meter_in_service
-- why: the trailing year up to the last read. The newest month counts as the days it has; its
--      like of a year before gives the whole days that are still ahead in it. So a day that comes
--      takes the place of one a year old, and no month is made out of one day. A stopped meter
--      is judged on the months before it stopped
-- units: days_told [d] days that reads or a gap's volume tell of; weight [1] of the month's
--      sums, 1 but for the oldest month; *_days [d]
create or replace temp table meter_month as
with stat as (
    select
        meter_id,
        strptime(regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1), '%Y-%m')::date as month,
        days_covered,
        gap_days,
        shape_count * interval_min / 1440 as shape_days,
        registered_gal,
        last_at,
        elapsed_days,
        last_use_at
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
),

monthly as (
    select
        meter_id,
        month,
        sum(days_covered) as days_covered,
        sum(days_covered + gap_days) as days_told,
        sum(shape_days) as shape_days,
        sum(registered_gal) as registered_gal,
        max(last_at) as last_at,
        max(elapsed_days) as elapsed_days,
        max(last_use_at) as last_use_at
    from stat
    group by meter_id, month
),

last_use as (
    select
        meter_id,
        max(month) as newest_month,
        max(last_at) as last_at,
        floor(day(last_day(max(month))) - arg_max(elapsed_days, month) + 1e-6) as days_ahead,
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
        last_use.days_ahead,
        last_use.last_use_at,
        coalesce(last_use.last_at - last_use.last_use_at, interval 0 day)
            > to_days($stopped_after_days::integer)
        and idle_before.idle_months is null
        and meter_in_service.is_seasonal is not true as is_stopped
    from last_use
    join meter_in_service on last_use.meter_id = meter_in_service.meter_id
    left join idle_before on last_use.meter_id = idle_before.meter_id
),

aged as (
    select
        monthly.meter_id,
        monthly.month,
        monthly.days_covered,
        monthly.days_told,
        monthly.shape_days,
        ends.is_stopped,
        ends.last_use_at,
        ends.newest_month - to_months($window_months::integer) as oldest_month,
        ends.days_ahead
    from monthly
    join ends on monthly.meter_id = ends.meter_id
    where
        monthly.days_covered > 0
        and (not ends.is_stopped or monthly.month < date_trunc('month', ends.last_use_at))
),

weighted as (
    select
        meter_id,
        month,
        days_covered,
        shape_days,
        is_stopped,
        last_use_at,
        case
            when month > oldest_month then 1.0
            when month = oldest_month and not is_stopped
                then least(days_ahead / days_told, 1.0)
            else 0.0
        end as weight
    from aged
)

select
    meter_id,
    month,
    days_covered,
    shape_days,
    is_stopped,
    last_use_at,
    weight
from weighted
where weight > 0;
