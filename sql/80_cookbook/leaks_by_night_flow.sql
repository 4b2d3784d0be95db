-- question: Which accounts never stop drawing water at night, and what does it come to?
-- grain: one meter; key: account_id, meter_id
-- reads: profile, finding, sweep, latest_recommendation
-- why: customers want to know; the volume is what a steady leak of that size makes in a year
-- units: as the column names say; 525,960 minutes a year
with latest as (
    select *
    from latest_recommendation
),

latest_profile as (
    select *
    from profile
    where sweep_id = (select max(sweep_id) from sweep)
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
    latest_profile.minimum_night_flow_gpm,
    latest_profile.registered_gal_per_year,
    leak.message
from leak
inner join latest
    on leak.account_id = latest.account_id and leak.meter_id = latest.meter_id
inner join latest_profile
    on leak.account_id = latest_profile.account_id and leak.meter_id = latest_profile.meter_id
order by latest_profile.minimum_night_flow_gpm desc nulls last, latest.account_id
limit 20;
