-- question: Which accounts may gain much, but with a range too wide to act on?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: the range covers a loss and a good gain; shorter intervals or a log would settle it
-- units: as the column names say
select
    account_id,
    customer_class,
    verdict,
    action,
    net_benefit_low_usd_per_year,
    net_benefit_usd_per_year,
    net_benefit_high_usd_per_year,
    net_benefit_high_usd_per_year - net_benefit_low_usd_per_year
        as width_of_range_usd_per_year,
    expected_value_of_logging_usd
from latest_recommendation
where net_benefit_low_usd_per_year < 0 and net_benefit_high_usd_per_year > 0
order by width_of_range_usd_per_year desc, account_id
limit 20;
