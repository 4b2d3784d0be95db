-- flag_read, of registers: the landed readings of one bucket, of all months, to be looked at.
-- grain: one read; key: source_file, source_line, read_at.
-- units: read_at UTC; amount_gal [gal]; end_at UTC, null where a read has no length.
-- reads: the lake files at hand ($files) and landing (file_hash, source_file, landed_at).
-- why: flagged_read says the rules of both kinds once.
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
