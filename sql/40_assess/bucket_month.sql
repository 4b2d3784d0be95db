-- grain: one meter, local month and read interval; key: meter_id, month, interval_min
-- reads: month_stat files ($stat_files)
-- why: the files of a bucket's months are read once, for all that is made of them
-- units: in the names
create or replace temp table bucket_month as
select
    columns(* exclude (filename)),
    strptime(regexp_extract(filename, '.*/month=(\d{4}-\d{2})/', 1), '%Y-%m')::date as month
from read_parquet($stat_files, filename = true, hive_partitioning = false);
