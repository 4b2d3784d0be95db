-- grain: one verdict; key: verdict
-- reads: results.latest_recommendation
-- why: the first table of the closing summary
-- units: net_benefit_* [USD per year]; the ends are sums of the accounts' ends, which is wider
--        than the range of the sum
select
    verdict,
    count(*) as meters,
    count(*) filter (where action = 'change') as change,
    count(*) filter (where action = 'log_first') as log_first,
    count(*) filter (where action = 'keep') as keep,
    count(*) filter (where action = 'refer') as refer,
    coalesce(sum(net_benefit_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_usd_per_year,
    coalesce(sum(net_benefit_low_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_low_usd_per_year,
    coalesce(sum(net_benefit_high_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_high_usd_per_year
from results.latest_recommendation
group by verdict
order by
    list_position(
        ['oversized', 'wrong_type', 'undersized', 'fits', 'not_assessed'], verdict
    );
