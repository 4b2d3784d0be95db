-- grain: one local day of one meter with any current read; key: meter_id, day_on
-- reads: current_read, day_read, meter_key
-- why: daily volume from all current reads, minimum night hour from measured ones, and the
--      covered and estimated shares of the day
-- units: day_gal [gal]; covered_share, estimated_share of the day's time; night_gpm [gal/min]
create or replace temp table calendar_day as
with volume as (
    select
        meter_key,
        local_at::date as day_on,
        sum(registered_gal) as day_gal,
        sum(interval_min) / 1440 as covered_share,
        coalesce(sum(interval_min) filter (where is_estimated), 0) / sum(interval_min)
            as estimated_share
    from current_read
    group by meter_key, local_at::date
),

night as (
    select
        meter_key,
        day_on,
        night_gpm
    from day_read
)

select
    meter_key.meter_id,
    volume.day_on,
    volume.day_gal,
    volume.covered_share,
    volume.estimated_share,
    night.night_gpm
from volume
join meter_key on volume.meter_key = meter_key.meter_key
left join night on volume.meter_key = night.meter_key and volume.day_on = night.day_on
order by meter_key.meter_id, volume.day_on;
