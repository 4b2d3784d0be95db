-- question: Which meters must be in stock for the change-outs, and at what cost?
-- grain: one recommended type and size; key: recommended_type, recommended_size_in
-- reads: latest_recommendation
-- why: the purchase order behind the program
-- units: as the column names say
select
    recommended_type,
    recommended_size_in,
    count(*) as meters,
    sum(change_cost_usd) as change_cost_usd,
    sum(net_benefit_usd_per_year) as net_benefit_usd_per_year
from latest_recommendation
where action = 'change'
group by recommended_type, recommended_size_in
order by meters desc, recommended_type, recommended_size_in;
