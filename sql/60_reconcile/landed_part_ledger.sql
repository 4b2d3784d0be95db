-- grain: one landed file, kind, month and bucket; key: file_hash, kind, month, bucket
-- reads: ledger.landed_partition
-- why: a lake file in the wrong place balances by file, but not by month and bucket
-- units: accepted_gal [gal]; null for register readings
select
    file_hash,
    kind,
    month,
    bucket::bigint as bucket,
    rows_accepted,
    case when kind = 'interval' then amount_gal end as accepted_gal
from ledger.landed_partition
order by all;
