-- grain: one meter in service of the accounts requested; key: account_id, meter_id
-- reads: results.recommendation ($sweep_id, $accounts)
-- why: the meters on a page, and the lake bucket that has their reads
-- units: none
select
    account_id,
    meter_id,
    (md5_number_lower(meter_id) % $buckets)::integer as bucket
from results.recommendation
where sweep_id = $sweep_id and account_id in (select unnest($accounts))
order by account_id, meter_id;
