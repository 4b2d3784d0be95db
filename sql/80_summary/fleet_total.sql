-- grain: the latest sweep, one row
-- reads: results.fleet_total
-- why: what all changes bring together, under the table by verdict
-- units: net_benefit_* [USD per year]
select
    changes,
    net_benefit_usd_per_year,
    net_benefit_low_usd_per_year,
    net_benefit_high_usd_per_year
from results.fleet_total
where scope = 'fleet';
