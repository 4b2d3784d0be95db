-- grain: one meter that the published results flag; key: account_id, meter_id
-- reads: results.flagged_account
-- why: held against the list before, it says who must be told
-- units: recommended_size_in [in]
select
    account_id,
    meter_id,
    concat_ws(
        ' ', verdict, action, recommended_type, recommended_size_in
    ) as asked_for
from results.flagged_account
order by account_id, meter_id
