-- grain: one installation of a meter at an account and local month; key: account_id, meter_id,
--      month
-- reads: month_stat files ($stat_files), the frame stay_frame, registered by the caller
-- why: monthly volume to compare with the monthly bill; removed meters count until removal. A
--      month shared by two installations of one meter goes to the later one
-- units: *_gal [gal]; days_covered [d]
create or replace temp table month_volume as
with stat as (
    select
        meter_id,
        strptime(regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1), '%Y-%m')::date as month,
        days_covered,
        registered_gal,
        estimated_gal,
        gap_gal
    from read_parquet($stat_files, filename = true, hive_partitioning = false)
),

newest as (
    select max(month) as month
    from stat
),

monthly as (
    select
        stat.meter_id,
        stat.month,
        sum(stat.days_covered) as days_covered,
        sum(stat.registered_gal) as registered_gal,
        sum(stat.estimated_gal) as estimated_gal,
        sum(stat.gap_gal) as gap_gal
    from stat
    cross join newest
    where stat.month > newest.month - to_months($months::integer)
    group by stat.meter_id, stat.month
),

placed as (
    select
        stay_frame.account_id,
        monthly.*,
        row_number() over (
            partition by monthly.meter_id, monthly.month
            order by stay_frame.installed_on desc nulls last, stay_frame.account_id
        ) as place
    from monthly
    join stay_frame
        on monthly.meter_id = stay_frame.meter_id
        and monthly.month <= coalesce(stay_frame.removed_on, date '9999-12-31')
        and last_day(monthly.month) >= coalesce(stay_frame.installed_on, date '0001-01-01')
)

select
    account_id,
    meter_id,
    strftime(month, '%Y-%m') as month,
    days_covered,
    registered_gal,
    estimated_gal,
    gap_gal
from placed
where place = 1
order by account_id, meter_id, month;
