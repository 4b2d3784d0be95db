-- grain: one landed register reading of the meters asked for; key: file_hash, source_line
-- reads: the lake's Parquet files of one bucket, every month ($register_files, $meter_ids)
-- why: stands in for the profile stage's relation of that name; all months at once, so every
--      reading is of the month
-- units: reading_gal [gal]
create or replace temp table ranked_reading as
with landed as (
    select
        meter_id,
        read_at,
        reading_gal,
        quality,
        landed_seq,
        source_line,
        parse_filename(filename, true) as file_hash
    from read_parquet($register_files, filename = true, hive_partitioning = false)
    where meter_id in (select unnest($meter_ids))
)

select
    meter_id,
    read_at,
    reading_gal,
    quality,
    file_hash,
    source_line,
    true as is_of_month,
    row_number() over (
        partition by meter_id, read_at
        order by quality = 'missing', landed_seq desc, source_line desc
    ) = 1 as is_current
from landed;
