-- question: What does downsizing cost in base charges, and how much of the gain is left?
-- grain: one installed size; key: installed_size_in
-- reads: latest_recommendation
-- why: a lower base charge can cancel the gain; the tariff is the utility's decision
-- units: as the column names say
select
    installed_size_in,
    count(*) as change_outs,
    sum(revenue_gain_usd_per_year) as revenue_gain_usd_per_year,
    sum(fixed_charge_change_usd_per_year) as fixed_charge_change_usd_per_year,
    sum(net_benefit_usd_per_year) as net_benefit_usd_per_year
from latest_recommendation
where action = 'change' and recommended_size_in < installed_size_in
group by installed_size_in
order by installed_size_in;
