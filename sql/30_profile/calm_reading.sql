-- grain: the period between two readings of a meter of this month; key: meter, minute
-- reads: ranked_reading, landed_read
-- why: most registers never go back, are read at even times and never stick; their volumes are
--      plain differences, as interval_from_register would find. A meter where any of its cases
--      may apply, or that has interval reads too, is not here
-- units: minute [min] since 1970 of the start, -1 between two minutes; interval_min [min];
--        gal [gal]; kind: 1 measured or edited, 2 estimated or questionable, 255 other
create or replace temp table calm_reading as
with readings as (
    select
        meter_id,
        read_at,
        reading_gal,
        quality,
        is_of_month,
        file_hash,
        lead(read_at) over following as next_at,
        lead(reading_gal) over following - reading_gal as rise_gal,
        lead(quality) over following as next_quality,
        lag(reading_gal, 6) over following = reading_gal as is_late_in_stretch
    from ranked_reading
    where
        is_current
        and quality <> 'missing'
        and reading_gal is not null
        and meter_id not in (select meter_id from landed_read)
    window following as (partition by meter_id order by read_at)
),

calm as (
    select
        meter_id,
        row_number() over (order by meter_id) - 1 as meter
    from readings
    where next_at is not null
    group by meter_id
    having
        min(rise_gal) >= 0
        and isfinite(max(rise_gal))
        and min(next_at - read_at) = max(next_at - read_at)
        and coalesce(max(rise_gal) filter (is_late_in_stretch), 0)
        <= 3 * coalesce(quantile_cont(rise_gal, 0.95) filter (rise_gal > 0), 0)
),

landed_file as (
    select
        file_hash,
        row_number() over (order by file_hash) - 1 as file
    from (select distinct file_hash from ranked_reading)
)

select
    calm.meter_id,
    calm.meter::integer as meter,
    case when epoch_us(read_at) % 60000000 = 0 then epoch_us(read_at) // 60000000 else -1 end
        ::integer as minute,
    (epoch(next_at - read_at) / 60)::float as interval_min,
    rise_gal as gal,
    (
        case
            when epoch_us(read_at) % 60000000 <> 0 then 255
            when quality in ('estimated', 'questionable') then 2
            when quality = 'edited' then 1
            when quality <> 'measured' then 255
            when next_quality in ('measured', 'edited') then 1
            when next_quality in ('estimated', 'questionable') then 2
            else 255
        end
    )::utinyint as kind,
    readings.file_hash,
    landed_file.file::integer as file
from readings
join calm on readings.meter_id = calm.meter_id
join landed_file on readings.file_hash = landed_file.file_hash
where is_of_month and next_at is not null;
