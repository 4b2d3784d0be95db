-- grain: the first reading after a meter's gap; key: meter_id
-- reads: the lake's Parquet files of the months after the next one ($far_files); appends to
--      ranked_reading
-- why: a meter without a reading in the next month continues in a later one: the volume of such a
--      long gap is as well known as that of a short one. Other meters in these files are not used
-- units: as ranked_reading
insert into ranked_reading
with waiting as (
    select meter_id
    from ranked_reading
    where quality <> 'missing' and reading_gal is not null
    group by meter_id
    having bool_and(is_of_month)
),

landed as (
    select
        meter_id,
        read_at,
        reading_gal,
        quality,
        landed_seq,
        source_line,
        dial_limit_gal,
        gal_per_count,
        parse_filename(filename, true) as file_hash
    from read_parquet($far_files, filename = true, hive_partitioning = false)
),

ranked as (
    select
        landed.*,
        row_number() over (
            partition by landed.meter_id
            order by
                landed.read_at,
                landed.landed_seq // 100000000 desc,
                landed.quality in ('estimated', 'questionable'),
                landed.landed_seq desc,
                landed.source_line desc
        ) as place
    from landed
    semi join waiting on waiting.meter_id = landed.meter_id
    where landed.quality <> 'missing' and landed.reading_gal is not null
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
    false as is_of_month,
    true as is_current
from ranked
where place = 1;
