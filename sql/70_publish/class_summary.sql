-- grain: one customer class in the latest sweep; key: customer_class
-- reads: results.latest_recommendation
-- why: benefit by class, and how much of each class was assessed. The ends of the net benefit
--      are sums of the accounts' ends, which is wider than the range of the sum.
-- units: as the column names say
create or replace view results.class_summary as
with latest as (
    select *
    from results.latest_recommendation
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
    coalesce(sum(net_benefit_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_usd_per_year,
    coalesce(sum(net_benefit_low_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_low_usd_per_year,
    coalesce(sum(net_benefit_high_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_high_usd_per_year,
    coalesce(sum(change_cost_usd) filter (where action = 'change'), 0) as change_cost_usd,
    coalesce(sum(net_benefit_usd_per_year) filter (where action = 'log_first'), 0)
        as unproven_net_benefit_usd_per_year
from latest
group by customer_class
order by net_benefit_usd_per_year desc, customer_class;
