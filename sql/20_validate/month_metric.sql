-- month_metric: volume per meter and day of each month in this run, relative to other months.
-- grain: one month with interval reads landed by this run; key: batch.
-- units: gal_per_meter_day [gal/d]; volume_against_* are ratios.
-- reads: ledger.landed_partition, landed_now (the run's file hashes, from the caller).
-- why: volume per time covered is the same for a month half read, read twice or corrected, but
--   not with a wrong unit.
with parts as (from ledger.landed_partition),
now_landed as (from landed_now),
monthly as (
    select
        month,
        strptime(month, '%Y-%m')::date as month_on,
        sum(amount_gal) / nullif(sum(covered_min) / 1440, 0) as gal_per_meter_day
    from parts
    where kind = 'interval'
    group by month
),
touched as (
    select distinct parts.month
    from parts
    semi join now_landed on now_landed.file_hash = parts.file_hash
    where parts.kind = 'interval'
)
select
    monthly.month as batch,
    monthly.gal_per_meter_day,
    monthly.gal_per_meter_day / nullif(month_before.gal_per_meter_day, 0)
        as volume_against_month_before,
    monthly.gal_per_meter_day / nullif(year_before.gal_per_meter_day, 0)
        as volume_against_year_before
from monthly
semi join touched on touched.month = monthly.month
left join monthly as month_before on month_before.month_on = monthly.month_on - interval 1 month
left join monthly as year_before on year_before.month_on = monthly.month_on - interval 1 year
order by monthly.month
