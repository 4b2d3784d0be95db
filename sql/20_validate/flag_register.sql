-- flag_read for register readings: one bucket, all months, to be checked for flags.
-- grain: one read; key: source_file, source_line, read_at.
-- units: read_at UTC; amount_gal [gal]; end_at UTC, null where a read has no length.
-- reads: the bucket's lake files ($files) and landing (file_hash, source_file, landed_at).
-- why: flagged_read applies the rules to both kinds of read.
create or replace temp table flag_read as
select
    read.meter_id,
    read.read_at as read_at,
    read.reading_gal as amount_gal,
    true as is_reading,
    read.quality,
    read.source_line,
    read.landed_seq,
    null::timestamptz as end_at,
    landing.source_file,
    landing.landed_at
from read_parquet($files, filename = true, hive_partitioning = false) as read
join landing on landing.file_hash = parse_filename(read.filename, true)
