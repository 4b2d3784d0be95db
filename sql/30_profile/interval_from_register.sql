-- grain: the time between two readings of a meter, by its start; key: meter_id, start_at
-- reads: ranked_reading; appends to landed_read
-- why: a register tells volume by difference; a longer step than the meter's usual one is a
--      gap whose volume is known and whose shape is not (quality 'gap'); a reading below its
--      predecessor is a change-out, a reset or backward flow: no volume is made of it
-- units: registered_gal [gal], interval_min [min]
insert into landed_read
with steps as (
    select
        meter_id,
        read_at,
        reading_gal,
        quality,
        is_of_month,
        file_hash,
        source_line,
        lead(read_at) over following as next_at,
        lead(reading_gal) over following as next_gal,
        lead(quality) over following as next_quality
    from ranked_reading
    where is_current and quality <> 'missing'
    window following as (partition by meter_id order by read_at)
),

measured as (
    select
        *,
        epoch(next_at - read_at) / 60 as interval_min
    from steps
    where next_at is not null and is_of_month
),

usual as (
    select meter_id, mode(round(interval_min, 3)) as usual_min
    from measured
    group by meter_id
)

select
    measured.meter_id,
    measured.read_at as start_at,
    measured.interval_min,
    greatest(measured.next_gal - measured.reading_gal, 0) as registered_gal,
    case
        when measured.next_gal < measured.reading_gal then 'questionable'
        when measured.interval_min > 1.5 * usual.usual_min then 'gap'
        when measured.quality <> 'measured' then measured.quality
        else measured.next_quality
    end as quality,
    null as peak_register_gpm,
    0 as landed_seq,
    measured.source_line,
    measured.file_hash,
    'register' as kind
from measured
join usual on measured.meter_id = usual.meter_id;
