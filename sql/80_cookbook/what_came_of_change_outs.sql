-- question: What came of each change-out, against what was promised?
-- grain: one change-out that can be judged; key: account_id, removed_meter_id, changed_on
-- reads: change_out_result
-- why: a promise that nobody checks is worth nothing; each figure has its 90 % range
-- units: as the column names say
select
    account_id,
    changed_on,
    removed_type,
    removed_size_in,
    installed_type,
    installed_size_in,
    promised_gain_pct,
    realised_gain_pct,
    realised_gain_low_pct,
    realised_gain_high_pct,
    came,
    against_promise
from change_out_result
where standing = 'judged'
order by realised_gain_pct desc, account_id, changed_on
limit 50;
