-- grain: one customer class in the latest sweep; key: customer_class
-- reads: results.latest_recommendation, results.fleet_total
-- why: where the money lies, and how much of each class could be judged. The ends of the net
--      benefit are those of the class's total, from joint samples.
-- units: as the column names say
create or replace view results.class_summary as
with latest as (
    select *
    from results.latest_recommendation
),

total as (
    select
        name,
        net_benefit_low_usd_per_year,
        net_benefit_high_usd_per_year
    from results.fleet_total
    where scope = 'class'
)

select
    customer_class,
    count(distinct account_id) as accounts,
    count(*) as meters,
    count(*) filter (where verdict <> 'not_assessed') as meters_assessed,
    count(*) filter (where verdict = 'fits') as meters_fitting,
    count(*) filter (where verdict = 'oversized') as meters_oversized,
    count(*) filter (where verdict = 'undersized') as meters_undersized,
    count(*) filter (where verdict = 'wrong_type') as meters_wrong_type,
    count(*) filter (where action = 'change') as meters_to_change,
    count(*) filter (where action = 'log_first') as meters_to_log,
    count(*) filter (where action = 'refer') as meters_to_refer,
    count(*) filter (where verdict = 'not_assessed') as meters_not_assessed,
    coalesce(sum(volume_gain_gal_per_year) filter (where action = 'change'), 0)
        as volume_gain_gal_per_year,
    coalesce(sum(revenue_gain_usd_per_year) filter (where action = 'change'), 0)
        as revenue_gain_usd_per_year,
    coalesce(sum(latest.net_benefit_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_usd_per_year,
    coalesce(max(total.net_benefit_low_usd_per_year), 0) as net_benefit_low_usd_per_year,
    coalesce(max(total.net_benefit_high_usd_per_year), 0) as net_benefit_high_usd_per_year,
    coalesce(sum(change_cost_usd) filter (where action = 'change'), 0) as change_cost_usd,
    coalesce(sum(latest.net_benefit_usd_per_year) filter (where action = 'log_first'), 0)
        as unproven_net_benefit_usd_per_year
from latest
left join total on latest.customer_class = total.name
group by customer_class
order by net_benefit_usd_per_year desc, customer_class;
