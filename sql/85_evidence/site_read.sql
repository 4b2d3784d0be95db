-- grain: one landed read or reading of the meters requested, as in the lake
-- reads: one Parquet file of the lake ($file, $meter_ids)
-- why: a copy with a few meters, under the file's own name, so that the profile stage's
--      statements run on it unchanged
-- units: those of the lake
select *
from read_parquet($file, hive_partitioning = false)
where meter_id in (select unnest($meter_ids));
