-- grain: one meter that ever had a read; key: meter_id
-- reads: month_stat files ($stat_files)
-- why: reads of a meter after its removal put its change-out in doubt; the first and last day of
--      all reads say which change-outs lie inside the data
-- units: dates
select
    meter_id,
    min(first_on) as first_read_on,
    max(last_on) as last_read_on
from read_parquet($stat_files, hive_partitioning = false)
group by meter_id
order by meter_id;
