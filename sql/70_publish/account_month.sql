-- grain: one account and local month of the latest sweep; key: account_id, month
-- reads: results.month_volume, results.sweep
-- why: the first check against bills: registered volume of all meters of an account in a month,
--      and how much of it is estimated or from gaps in the reads
-- units: in the names
create or replace view results.account_month as
with month_volume as (
    select *
    from results.month_volume
),

latest_sweep as (
    select max(sweep_id) as sweep_id
    from results.sweep
)

select
    month_volume.account_id,
    month_volume.month,
    count(*) as meters,
    sum(month_volume.registered_gal) as registered_gal,
    sum(month_volume.estimated_gal) as estimated_gal,
    sum(month_volume.gap_gal) as gap_gal,
    min(month_volume.days_covered) as days_covered
from month_volume
inner join latest_sweep on month_volume.sweep_id = latest_sweep.sweep_id
group by month_volume.account_id, month_volume.month
order by month_volume.account_id, month_volume.month;
