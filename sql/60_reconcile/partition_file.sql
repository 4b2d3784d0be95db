-- grain: one landed file in one month and bucket; key: month, bucket, kind, file_hash
-- reads: balance files of the profile stage (their folders name month and bucket)
-- why: the ledger knows what was landed, the profiles know what was used
-- units: *_gal [gal]
create or replace temp table partition_file as
with balance as (
    select *
    from read_parquet($balance_files, filename = true, hive_partitioning = false)
)

select
    regexp_extract(filename, '.*/month=([^/]+)/', 1) as month,
    regexp_extract(filename, '.*/bucket=([0-9]+)/', 1)::bigint as bucket,
    kind,
    file_hash,
    rows::bigint as rows,
    current_rows::bigint as current_rows,
    superseded_rows::bigint as superseded_rows,
    current_gal::double as current_gal,
    superseded_gal::double as superseded_gal
from balance;
