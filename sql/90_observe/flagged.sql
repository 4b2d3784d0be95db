-- grain: one flagged meter in the published results; key: account_id, meter_id
-- reads: results.flagged_account
-- why: compared with the previous list, it shows whom to notify
-- units: recommended_size_in [in]
select
    account_id,
    meter_id,
    concat_ws(
        ' ', verdict, action, recommended_type, recommended_size_in
    ) as asked_for
from results.flagged_account
order by account_id, meter_id
