-- grain: one landed file; key: file_hash
-- reads: ledger_frame (one row per landed file), partition_file, rejected_frame
-- why: rows landed = accepted + rejected; accepted = used in profiles (current or superseded);
--      rejected = kept in the rejected folder; the same by volume. A file known to one side only
--      appears with zeros on the other. Volumes are added in a fixed order; otherwise their last
--      digits would depend on the threads.
-- units: *_gal [gal]
create or replace temp table file_balance as
with used as (
    select
        file_hash,
        sum(rows)::bigint as used_rows,
        sum(current_rows)::bigint as current_rows,
        sum(superseded_rows)::bigint as superseded_rows,
        sum(current_gal order by month, bucket, kind) as current_gal,
        sum(superseded_gal order by month, bucket, kind) as superseded_gal,
        bool_or(kind = 'register') as has_readings
    from partition_file
    group by file_hash
)

select
    coalesce(ledger_frame.file_hash, used.file_hash) as file_hash,
    coalesce(
        ledger_frame.path, 'a file that the ledger does not hold, ' || used.file_hash
    ) as path,
    coalesce(ledger_frame.rows_landed, 0)::bigint as landed_rows,
    coalesce(ledger_frame.rows_accepted, 0)::bigint as accepted_rows,
    coalesce(ledger_frame.rows_rejected, 0)::bigint as rejected_rows,
    coalesce(rejected_frame.rejected_rows, 0)::bigint as kept_rejected_rows,
    coalesce(used.used_rows, 0) as used_rows,
    coalesce(used.current_rows, 0) as current_rows,
    coalesce(used.superseded_rows, 0) as superseded_rows,
    coalesce(used.current_gal, 0) as current_gal,
    coalesce(used.superseded_gal, 0) as superseded_gal,
    -- a register reading has no volume of its own, so landing cannot state one
    case
        when not coalesce(used.has_readings, false) then ledger_frame.accepted_gal
    end as accepted_gal
from ledger_frame
full outer join used on ledger_frame.file_hash = used.file_hash
left join rejected_frame
    on coalesce(ledger_frame.file_hash, used.file_hash) = rejected_frame.file_hash;
