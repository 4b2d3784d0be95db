-- shared_meter: a meter that two exports read, if there is any.
-- grain: one row at most.
-- units: none.
-- reads: the partition's lake files ($files), landing_export (each file's export, from the
--   caller).
-- why: channels of a head-end rarely share a meter; where none is shared, clocks are not compared.
select read.meter_id
from read_parquet($files, filename = true, hive_partitioning = false) as read
join landing_export on landing_export.file_hash = parse_filename(read.filename, true)
group by read.meter_id
having min(landing_export.export_name) <> max(landing_export.export_name)
limit 1
