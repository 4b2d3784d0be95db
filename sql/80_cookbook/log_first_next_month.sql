-- question: Which sites should be logged next month?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: a two-week log settles what a year of hourly reads cannot
-- units: as the column names say
select
    account_id,
    customer_name,
    area,
    installed_type,
    installed_size_in,
    expected_value_of_logging_usd,
    unseen_share_of_gain,
    net_benefit_high_usd_per_year,
    reason
from latest_recommendation
where action = 'log_first'
order by expected_value_of_logging_usd desc nulls last, account_id
limit 20;
