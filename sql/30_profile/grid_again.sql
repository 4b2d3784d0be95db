-- grain: one current read of a meter whose current reads lie on a grid; key: meter_key, start_at
-- reads: current_read, meter_key
-- why: a meter with two reads of one start, or with register readings, has one read for each
--      interval once it is known which counts; its statistics are then sums over a matrix
-- units: gal [gal], interval_min [min], minute [min] since 1970 of the start, peak_gpm [gal/min];
--        kind: 1 measured or edited, 2 estimated or questionable
create or replace temp table grid_again as
with regular as (
    select meter_key
    from current_read
    group by meter_key
    having
        min(interval_min) = max(interval_min)
        and min(interval_min) between 1 and 60
        and 60 % min(interval_min) = 0
        and not bool_or(is_gap)
        and bool_and(isfinite(registered_gal))
        and bool_and(epoch_us(start_at) % (interval_min * 60000000)::bigint = 0)
)

select
    meter_key.meter_id,
    current_read.meter_key as meter,
    (epoch_us(current_read.start_at) // 60000000)::integer as minute,
    current_read.interval_min::float as interval_min,
    current_read.registered_gal as gal,
    (case when current_read.is_estimated then 2 else 1 end)::utinyint as kind,
    current_read.peak_register_gpm::double as peak_gpm
from current_read
join meter_key on current_read.meter_key = meter_key.meter_key
where current_read.meter_key in (select meter_key from regular);
