-- grain: one change-out; key: account_id, removed_meter_id, changed_on, kind
-- reads: results.change_out_result
-- why: what came of each change-out, for the fleet's page
-- units: as the column names say
select *
from results.change_out_result
order by realised_gain_pct desc nulls last, changed_on, account_id, removed_meter_id;
