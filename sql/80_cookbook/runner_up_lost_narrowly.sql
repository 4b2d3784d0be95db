-- question: Where is the second-best meter within $20 per year of the best?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: there, stock, delivery or the crew's preference can decide
-- units: as the column names say
select
    account_id,
    recommended_type,
    recommended_size_in,
    net_benefit_usd_per_year,
    runner_up,
    runner_up_net_benefit_usd_per_year,
    net_benefit_usd_per_year - runner_up_net_benefit_usd_per_year as margin_usd_per_year
from latest_recommendation
where
    action = 'change'
    and net_benefit_usd_per_year - runner_up_net_benefit_usd_per_year between 0 and 20
order by margin_usd_per_year, account_id
limit 20;
