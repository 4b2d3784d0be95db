-- grain: one landed interval read of a meter whose reads lie on no grid; key: file_hash,
--        source_line
-- reads: the lake's Parquet files of one partition ($interval_files), handed_meter
-- why: as landed_read, for the meters that a matrix of reads cannot hold
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
where meter_id in (select meter_id from handed_meter);
