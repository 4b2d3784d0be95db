-- question: Which meters have the largest share of volume below their normal flow range?
-- grain: one meter; key: account_id, meter_id
-- reads: latest_recommendation
-- why: a large low-flow share indicates an oversized or wrong-type meter
-- units: as the column names say
select
    account_id,
    customer_class,
    installed_type,
    installed_size_in,
    low_flow_share,
    installed_accuracy_pct,
    verdict,
    action
from latest_recommendation
where low_flow_share is not null
order by low_flow_share desc, account_id
limit 20;
