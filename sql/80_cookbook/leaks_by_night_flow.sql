-- question: Which accounts use water all night, and how much is it per year?
-- grain: one meter; key: account_id, meter_id
-- reads: finding, profile, latest_recommendation, sweep
-- why: customers want to know; the annual volume assumes the night flow continues all year
-- units: as the column names say
with latest as (
    select *
    from latest_recommendation
),

account as (
    select *
    from profile
),

leak as (
    select *
    from finding
    where code = 'possible_leak' and sweep_id = (select max(sweep_id) from sweep)
)

select
    latest.account_id,
    latest.customer_name,
    latest.customer_class,
    account.minimum_night_flow_gpm,
    account.minimum_night_flow_gpm / account.mean_flow_gpm as night_flow_share,
    account.minimum_night_flow_gpm / account.mean_flow_gpm * account.registered_gal_per_year
        as night_flow_gal_per_year,
    leak.message
from leak
inner join latest
    on leak.account_id = latest.account_id and leak.meter_id = latest.meter_id
inner join account
    on leak.sweep_id = account.sweep_id and leak.meter_id = account.meter_id
order by night_flow_gal_per_year desc nulls last, latest.account_id
limit 20;
