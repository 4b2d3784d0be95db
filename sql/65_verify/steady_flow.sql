-- grain: one account with a job and local month; key: account_id, month
-- reads: day_flow files ($day_files), the frame stay_frame, registered by the caller
-- why: flow that a new meter shows day and night, whether it was leaking before or not, and
--      whether it stays. A day counts for the meter that was in service on it
-- units: steady_gpm [gal/min], the $day_share quantile of the days' least hours, summed over the
--        account's meters; day_count [d] of the meter with the fewest
with placed as (
    select
        stay_frame.account_id,
        day.meter_id,
        day.day_on,
        day.least_gpm
    from read_parquet($day_files, hive_partitioning = false) as day
    join stay_frame
        on day.meter_id = stay_frame.meter_id
        and day.day_on >= coalesce(stay_frame.installed_on, date '0001-01-01')
        and day.day_on < coalesce(stay_frame.removed_on, date '9999-12-31')
),

monthly as (
    select
        account_id,
        meter_id,
        strftime(day_on, '%Y-%m') as month,
        quantile_cont(least_gpm::double, $day_share::double) as steady_gpm,
        count(*) as day_count
    from placed
    group by account_id, meter_id, strftime(day_on, '%Y-%m')
)

select
    account_id,
    month,
    sum(steady_gpm order by meter_id) as steady_gpm,
    min(day_count) as day_count
from monthly
group by account_id, month
order by account_id, month;
