-- grain: the latest sweep, one row; none where nothing is to be changed
-- reads: results.fleet_total
-- why: what all changes bring together, on the fleet's summary page
-- units: net_benefit_*, revenue_gain_* [USD per year]
select
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year,
    revenue_gain_usd_per_year,
    revenue_gain_low_usd_per_year,
    revenue_gain_high_usd_per_year
from results.fleet_total
where scope = 'fleet';
