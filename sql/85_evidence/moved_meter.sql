-- grain: one meter that changed since the previous sweep; key: account_id, meter_id
-- reads: results.changed_since_previous_sweep
-- why: what is new, by net benefit; the page shows the first $shown
-- units: as the column names say
select
    account_id,
    meter_id,
    customer_class,
    change,
    previous_verdict,
    verdict,
    previous_action,
    action,
    net_benefit_usd_per_year,
    previous_net_benefit_usd_per_year,
    why,
    count(*) over () as moved_count
from results.changed_since_previous_sweep
order by abs(
    coalesce(net_benefit_usd_per_year, 0) - coalesce(previous_net_benefit_usd_per_year, 0)
) desc, account_id, meter_id
limit $shown;
