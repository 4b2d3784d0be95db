-- grain: one landed interval read of the meters asked for; key: file_hash, source_line
-- reads: the lake's Parquet files of one bucket, every month ($interval_files, $meter_ids)
-- why: stands in for the profile stage's relation of that name, so that its own statements
--      decide which read is current and what an hour and a day are
-- units: registered_gal [gal], interval_min [min], peak_register_gpm [gal/min]
create or replace temp table landed_read as
select
    meter_id,
    start_at,
    interval_min::double as interval_min,
    registered_gal,
    quality,
    peak_register_gpm,
    landed_seq,
    source_line,
    parse_filename(filename, true) as file_hash,
    'interval' as kind
from read_parquet($interval_files, filename = true, hive_partitioning = false)
where meter_id in (select unnest($meter_ids));
