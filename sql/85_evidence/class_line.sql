-- grain: one customer class in the latest sweep; key: customer_class
-- reads: results.latest_recommendation
-- why: the summary by class, with the range of the money; the ends add up the accounts' own
--      ends, which is wider than the range of the sum
-- units: as the column names say
select
    customer_class,
    count(*) as meters,
    count(*) filter (where verdict = 'fits') as fits,
    count(*) filter (where verdict = 'oversized') as oversized,
    count(*) filter (where verdict = 'wrong_type') as wrong_type,
    count(*) filter (where verdict = 'undersized') as undersized,
    count(*) filter (where verdict = 'not_assessed') as not_assessed,
    count(*) filter (where action = 'change') as change,
    count(*) filter (where action = 'log_first') as log_first,
    count(*) filter (where action = 'refer') as refer,
    coalesce(sum(net_benefit_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_usd_per_year,
    coalesce(sum(net_benefit_low_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_low_usd_per_year,
    coalesce(sum(net_benefit_high_usd_per_year) filter (where action = 'change'), 0)
        as net_benefit_high_usd_per_year
from results.latest_recommendation
group by customer_class
order by net_benefit_usd_per_year desc, customer_class;
