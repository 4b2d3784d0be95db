-- question: Which twenty change-outs have the highest net benefit?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: the crew's list, with the range of each figure
-- units: as the column names say
select
    account_id,
    customer_class,
    installed_type,
    installed_size_in,
    recommended_type,
    recommended_size_in,
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year,
    payback_years,
    odds_of_benefit
from latest_recommendation
where action = 'change'
order by net_benefit_usd_per_year desc, account_id
limit 20;
