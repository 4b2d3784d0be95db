-- accepted_read: the register readings of the current file, as written for landing.
-- grain: one reading; key: source_line (layout wide: and begin_at).
-- units: begin_at UTC; amount_gal [gal]; interval_min [min], null: a reading has no length.
-- reads: the Parquet files of variable part_files.
-- why: as interval_accepted.
create or replace temp view accepted_read as
select
    meter_id,
    make_timestamp(epoch_us(read_at)) as begin_at,
    null::float as interval_min,
    reading_gal as amount_gal,
    quality,
    filename
from read_parquet(getvariable('part_files'), filename = true, hive_partitioning = false)
