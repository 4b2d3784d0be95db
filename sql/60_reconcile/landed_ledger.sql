-- grain: one landed file; key: file_hash
-- reads: ledger.landed_file, ledger.landed_partition, ledger.deleted_partition (the working
--   database)
-- why: the files that a sweep must account for, and the published list of files. Rows that
--      keep_reads_months deleted are left out; the volume is then that of what is stored, since
--      a difference of sums would leave their rounding.
-- units: accepted_gal [gal]
with deleted as (
    select
        file_hash,
        coalesce(sum(rows) filter (where kind <> 'rejected'), 0)::bigint as accepted_rows,
        coalesce(sum(rows) filter (where kind = 'rejected'), 0)::bigint as rejected_rows
    from ledger.deleted_partition
    group by file_hash
),

stored as (
    select
        file_hash,
        sum(amount_gal order by month, bucket) filter (where kind = 'interval') as amount_gal
    from ledger.landed_partition
    group by file_hash
)

select
    landed_file.file_hash,
    landed_file.export_name,
    landed_file.path,
    landed_file.layout,
    landed_file.landed_at,
    landed_file.rows_landed
    - coalesce(deleted.accepted_rows + deleted.rejected_rows, 0) as rows_landed,
    landed_file.rows_accepted - coalesce(deleted.accepted_rows, 0) as rows_accepted,
    landed_file.rows_rejected - coalesce(deleted.rejected_rows, 0) as rows_rejected,
    case
        when deleted.file_hash is null then landed_file.gal_accepted
        else coalesce(stored.amount_gal, 0)
    end as accepted_gal
from ledger.landed_file
left join deleted on landed_file.file_hash = deleted.file_hash
left join stored on landed_file.file_hash = stored.file_hash
order by landed_file.landed_seq;
