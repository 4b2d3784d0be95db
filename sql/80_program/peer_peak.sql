-- grain: one assessed meter in service; key: account_id, meter_id
-- reads: results.latest_recommendation
-- why: peak flows of similar accounts, for accounts without reads
-- units: as the column names say
select
    account_id,
    meter_id,
    customer_class,
    peak_10s_gpm
from results.latest_recommendation
where verdict <> 'not_assessed'
