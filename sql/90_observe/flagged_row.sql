-- grain: one flagged meter in the published results, by net benefit
-- reads: results.flagged_account
-- why: the top of the list, for the page of a flow run
-- units: as the column names say
select
    account_id,
    meter_id,
    verdict,
    action,
    installed_type,
    installed_size_in,
    recommended_type,
    recommended_size_in,
    reason
from results.flagged_account
limit $rows
