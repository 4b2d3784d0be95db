-- grain: one meter and calendar month of the latest sweep; key: account_id, meter_id, month_number
-- reads: results.month_volume, results.sweep
-- why: a log is made in a month in which the site uses water as it does at its busiest
-- units: as the column names say
with latest as (
    select max(sweep_id) as sweep_id
    from results.sweep
),

month as (
    select month_volume.*
    from results.month_volume
    inner join latest on month_volume.sweep_id = latest.sweep_id
    where month_volume.days_covered >= 5
)

select
    account_id,
    meter_id,
    cast(substr(month, 6, 2) as integer) as month_number,
    sum(registered_gal) / sum(days_covered) as registered_gal_per_day
from month
group by all
order by account_id, meter_id, month_number
