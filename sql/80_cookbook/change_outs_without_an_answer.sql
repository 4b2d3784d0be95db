-- question: Which change-outs cannot be judged, and why?
-- grain: one change-out without an answer; key: account_id, removed_meter_id, changed_on
-- reads: change_out_result
-- why: too young ones will be told by a later sweep; a wrong multiplier or a vacancy needs a person
-- units: as the column names say
select
    standing,
    code,
    account_id,
    meter_id,
    changed_on,
    days_before,
    days_after,
    promised_gain_gal_per_year
from change_out_result
where standing <> 'judged'
order by standing desc, code, account_id, changed_on
limit 50;
