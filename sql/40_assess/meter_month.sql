-- grain: one meter in service and month used; key: meter_id, month
-- reads: bucket_month, meter_in_service
-- why: the trailing year up to the last read. The current month counts with the days it has;
--      the same month of the previous year supplies the full days still to come. So each new day
--      replaces one a year old, and no month is extrapolated from one day. A stopped meter is
--      judged on the months before it stopped
-- units: days_told [d] days covered by reads or by a gap of known volume; weight [1] of the
--      month's sums, 1 except for the oldest month; *_days [d]
create or replace temp table meter_month as
with monthly as (
    select
        meter_id,
        month,
        sum(days_covered) as days_covered,
        sum(days_covered + gap_days) as days_told,
        sum(shape_count * interval_min / 1440) as shape_days,
        sum(registered_gal) as registered_gal,
        max(last_at) as last_at,
        max(elapsed_days) as elapsed_days,
        max(last_use_at) as last_use_at
    from bucket_month
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

-- a full month without registration before the last use indicates a seasonal account
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
