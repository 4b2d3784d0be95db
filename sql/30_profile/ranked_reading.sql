-- grain: one landed register reading; key: file_hash, source_line
-- reads: the lake's Parquet files of this month and the next ($register_files)
-- why: of several readings of one meter and time one counts, as in superseded_read
-- units: reading_gal, dial_limit_gal (where the dials turn over) [gal], gal_per_count [gal]
create or replace temp table ranked_reading as
with landed as (
    select
        meter_id,
        read_at,
        reading_gal,
        quality,
        landed_seq,
        source_line,
        dial_limit_gal,
        gal_per_count,
        parse_filename(filename, true) as file_hash,
        filename
    from read_parquet($register_files, filename = true, hive_partitioning = false)
)

select
    meter_id,
    read_at,
    reading_gal,
    quality,
    file_hash,
    source_line,
    dial_limit_gal,
    gal_per_count,
    list_contains($month_files, filename) as is_of_month,
    row_number() over (
        partition by meter_id, read_at
        order by
            quality = 'missing',
            landed_seq // 100000000 desc,
            quality in ('estimated', 'questionable'),
            landed_seq desc,
            source_line desc
    ) = 1 as is_current
from landed;
