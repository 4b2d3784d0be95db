-- accepted_read: the interval reads of the current file, as written for landing.
-- grain: one read; key: source_line (layout wide: and begin_at).
-- units: begin_at UTC; interval_min [min]; amount_gal [gal].
-- reads: the Parquet files of variable part_files.
-- why: counts come from the files on disk, not from what was meant to be written.
create or replace temp view accepted_read as
select
    meter_id,
    make_timestamp(epoch_us(start_at)) as begin_at,
    interval_min,
    registered_gal as amount_gal,
    quality,
    filename
from read_parquet(getvariable('part_files'), filename = true, hive_partitioning = false)
