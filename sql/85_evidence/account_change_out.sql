-- grain: one change-out of an account shown; key: account_id, removed_meter_id, changed_on, kind
-- reads: results.change_out_result; $accounts
-- why: a site page says what came of the change-out at its account
-- units: as the column names say
select *
from results.change_out_result
where account_id in (select unnest($accounts))
order by account_id, changed_on, removed_meter_id;
