-- question: Which change-outs are settled, not based on one month's reads?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: order meters for recommendations that have held; sweeps_held shows for how long
-- units: as the column names say
select
    account_id,
    verdict,
    recommended_type,
    recommended_size_in,
    sweeps_held,
    net_benefit_usd_per_year
from latest_recommendation
where action = 'change' and settled_action = 'change'
order by sweeps_held desc, net_benefit_usd_per_year desc, account_id
limit 20;
