-- question: Which verdicts are based on little data?
-- grain: one meter; key: account_id, meter_id
-- reads: profile, latest_recommendation
-- why: part of a year can hide a season; estimates hide the actual flow
-- units: as the column names say
with account as (
    select *
    from profile
),

latest as (
    select *
    from latest_recommendation
)

select
    latest.account_id,
    latest.customer_class,
    latest.verdict,
    latest.action,
    account.days_covered,
    account.estimated_share,
    account.interval_min,
    account.resolution_gal
from latest
inner join account
    on latest.sweep_id = account.sweep_id and latest.meter_id = account.meter_id
where account.days_covered < 330 or account.estimated_share > 0.05
order by account.days_covered, latest.account_id
limit 20;
