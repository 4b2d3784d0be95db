-- grain: one landed interval read; key: file_hash, source_line
-- reads: the lake's Parquet files of one partition ($interval_files)
-- why: file names contain the hash of their source, which the balance needs
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
from read_parquet($interval_files, filename = true, hive_partitioning = false);
