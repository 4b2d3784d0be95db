-- grain: one landed file, kind, month and bucket; key: file_hash, kind, month, bucket
-- reads: part_frame, partition_file
-- why: a profile must use exactly the part of a file that landed in that month and bucket
-- units: *_gal [gal]; accepted_gal is null for register readings
create or replace temp table part_balance as
select
    coalesce(part_frame.file_hash, partition_file.file_hash) as file_hash,
    coalesce(part_frame.month, partition_file.month) as month,
    coalesce(part_frame.bucket, partition_file.bucket) as bucket,
    coalesce(part_frame.rows_accepted, 0)::bigint as accepted_rows,
    coalesce(partition_file.rows, 0)::bigint as used_rows,
    part_frame.accepted_gal,
    coalesce(partition_file.current_gal + partition_file.superseded_gal, 0) as used_gal
from part_frame
full outer join partition_file
    on
        part_frame.file_hash = partition_file.file_hash
        and part_frame.kind = partition_file.kind
        and part_frame.month = partition_file.month
        and part_frame.bucket = partition_file.bucket;
