-- grain: the time between two readings of a meter, by its start; key: meter_id, start_at
-- reads: ranked_reading; appends to landed_read
-- why: a register tells volume by difference, and the difference is read with care:
--      rollover  a register that stood in the last tenth of its dials and now stands in the
--                first (dials unknown: within 1 % of a power of ten) went through zero
--      backward  a fall no larger than the meter's usual steps is water that ran back, kept
--                with its sign
--      reset     any other fall is a reset or change-out: what passed is not known ('missing')
--      misread   a reading far out of line whose neighbours are in order is passed over
--      stuck     a reading that repeats, then leaps beyond the usual steps by about what passes
--                in such a time, was stuck: the leap is the volume of the whole stretch,
--                a gap that leaves a finding. Where readings are missing before the leap, it
--                must be too much for that time as well
--      A step longer than the meter's usual one is a 'gap', its volume known, its shape not.
--      A volume by difference comes after any interval read of the same time (landed_seq).
-- units: registered_gal [gal], interval_min [min]
insert into landed_read
with readings as (
    select
        meter_id,
        read_at,
        reading_gal,
        quality,
        is_of_month,
        file_hash,
        source_line,
        dial_limit_gal,
        gal_per_count,
        lag(reading_gal) over around as previous_gal,
        lead(reading_gal) over around as following_gal
    from ranked_reading
    where is_current and quality <> 'missing' and reading_gal is not null
    window around as (partition by meter_id order by read_at)
),

usual as (
    select
        meter_id,
        quantile_cont(reading_gal - previous_gal, 0.95) filter (reading_gal > previous_gal)
            as step_gal
    from readings
    group by meter_id
),

in_line as (
    select
        readings.meter_id,
        readings.read_at,
        readings.reading_gal,
        readings.quality,
        readings.is_of_month,
        readings.file_hash,
        readings.source_line,
        coalesce(
            readings.dial_limit_gal,
            10 ^ greatest(
                ceil(log10(greatest(readings.reading_gal / readings.gal_per_count, 1))), 4
            ) * readings.gal_per_count
        ) as limit_gal,
        case when readings.dial_limit_gal is null then 0.01 else 0.1 end as margin_share,
        coalesce(usual.step_gal, 0) as step_gal
    from readings
    join usual on readings.meter_id = usual.meter_id
    where not coalesce(
        readings.following_gal >= readings.previous_gal
        and greatest(
            readings.reading_gal - readings.following_gal,
            readings.previous_gal - readings.reading_gal
        ) > 3 * usual.step_gal,
        false
    )
),

steps as (
    select
        in_line.*,
        lead(read_at) over following as next_at,
        lead(reading_gal) over following as next_gal,
        lead(quality) over following as next_quality,
        lag(reading_gal) over following is distinct from reading_gal as is_new
    from in_line
    window following as (partition by meter_id order by read_at)
),

measured as (
    select
        *,
        epoch(next_at - read_at) / 60 as step_min,
        next_gal - reading_gal as rise_gal,
        count(*) filter (where is_new) over (
            partition by meter_id order by read_at
        ) as stretch
    from steps
    where next_at is not null
),

usual_length as (
    select
        meter_id,
        mode(round(step_min, 3)) as usual_min,
        sum(rise_gal) filter (where rise_gal > 0) / sum(step_min) as mean_gpm
    from measured
    group by meter_id
),

stretched as (
    select
        measured.*,
        usual_length.usual_min,
        usual_length.mean_gpm,
        sum(step_min) over whole as stretch_min,
        count(*) over whole as stretch_count,
        min(read_at) over whole as stretch_from_at,
        max(rise_gal) over whole as leap_gal,
        max(step_min) filter (where rise_gal > 0) over whole as leap_min
    from measured
    join usual_length on measured.meter_id = usual_length.meter_id
    window whole as (partition by measured.meter_id, stretch)
),

told as (
    select
        *,
        stretch_count >= 7
        and leap_gal > 3 * step_gal * greatest(leap_min / usual_min, 1)
        and leap_gal between 0.2 * mean_gpm * stretch_min and 5 * mean_gpm * stretch_min
            as is_stuck,
        rise_gal < 0
        and reading_gal >= (1 - margin_share) * limit_gal
        and next_gal <= margin_share * limit_gal as is_rollover
    from stretched
),

valued as (
    select
        *,
        case
            when is_rollover then rise_gal + limit_gal
            when rise_gal >= -step_gal then rise_gal
        end as registered_gal
    from told
)

select
    meter_id,
    case when is_stuck and rise_gal <> 0 then stretch_from_at else read_at end as start_at,
    case
        when is_stuck and rise_gal <> 0 then epoch(next_at - stretch_from_at) / 60
        else step_min
    end as interval_min,
    case when is_stuck and rise_gal = 0 then null else registered_gal end as registered_gal,
    case
        when registered_gal is null or is_stuck and rise_gal = 0 then 'missing'
        when is_stuck then 'stuck'
        when step_min > 1.5 * usual_min then 'gap'
        when quality <> 'measured' then quality
        else next_quality
    end as quality,
    null as peak_register_gpm,
    -100000000 as landed_seq,
    source_line,
    file_hash,
    'register' as kind
from valued
where is_of_month;
