-- replaced_meter: meters of which estimates stand where measured or edited reads landed too.
-- grain: one meter; key: meter_id.
-- units: read_count reads; first_at and last_at UTC.
-- reads: what the profiles found ($replaced_files).
-- why: a finding a meter, over all months.
select
    meter_id,
    sum(read_count)::bigint as read_count,
    min(first_at) as first_at,
    max(last_at) as last_at
from read_parquet($replaced_files, hive_partitioning = false)
group by meter_id
order by meter_id
