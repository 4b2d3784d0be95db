-- grain: one meter that changed between the latest sweep and the previous one
-- reads: results.changed_since_previous_sweep
-- why: what is new on the list, for the page of a flow run
-- units: as the column names say
select
    account_id,
    meter_id,
    change,
    previous_verdict,
    verdict,
    previous_action,
    action,
    recommended_type,
    recommended_size_in,
    why
from results.changed_since_previous_sweep
limit $rows
