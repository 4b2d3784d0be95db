-- replaced_meter: meters with estimates in place of measured or edited reads.
-- grain: one meter; key: meter_id.
-- units: read_count reads; first_at and last_at UTC.
-- reads: tables of the profiles ($replaced_files).
-- why: one finding per meter, over all months.
select
    meter_id,
    sum(read_count)::bigint as read_count,
    min(first_at) as first_at,
    max(last_at) as last_at
from read_parquet($replaced_files, hive_partitioning = false)
group by meter_id
order by meter_id
