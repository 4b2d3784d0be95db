-- grain: one meter to change; key: account_id, meter
-- reads: results.latest_recommendation
-- why: the ten best change-outs, for the closing summary
-- units: sizes [in; mm if results are metric], accuracy [%], net benefit [USD per year]
select
    account_id,
    customer_class,
    installed_size_in,
    installed_type,
    recommended_size_in,
    recommended_type,
    installed_accuracy_pct,
    recommended_accuracy_pct,
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year,
    odds_of_benefit
from results.latest_recommendation
where action = 'change'
order by net_benefit_usd_per_year desc, account_id, meter_id
limit 10;
