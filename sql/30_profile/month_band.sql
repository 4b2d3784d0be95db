-- grain: one meter, kind of window and flow band; key: meter_id, kind, interval_min, band
-- reads: meter_key, current_read, hour_read, day_read
-- why: histograms on the log-spaced bands of the inference; counts and volumes add up
-- units: band as in rightsize/demand/bands.py ($first_edge_gpm, $bands_per_decade,
--        $band_count); band -1 = zero registration; volume_gal [gal]
-- kinds: interval (a measured read), hour (a full clock hour), night (a day's minimum night
--        hour)
create or replace temp table month_band as
with windows as (
    select
        meter_key,
        'interval' as kind,
        interval_min,
        flow_gpm,
        registered_gal as volume_gal
    from current_read
    where is_shape
    union all
    select
        meter_key,
        'hour' as kind,
        60 as interval_min,
        flow_gpm,
        flow_gpm * 60 as volume_gal
    from hour_read
    union all
    select
        meter_key,
        'night' as kind,
        60 as interval_min,
        night_gpm as flow_gpm,
        night_gpm * 60 as volume_gal
    from day_read
    where night_gpm is not null
),

banded as (
    select
        meter_key,
        kind,
        interval_min,
        volume_gal,
        case
            when flow_gpm <= 0 then -1
            else least(
                greatest(
                    floor(log10(flow_gpm / $first_edge_gpm) * $bands_per_decade + 1e-9), 0
                ),
                $band_count - 1
            )
        end::smallint as band
    from windows
)

select
    meter_key.meter_id,
    banded.kind,
    banded.interval_min,
    banded.band,
    count(*) as window_count,
    sum(banded.volume_gal) as volume_gal
from banded
join meter_key on banded.meter_key = meter_key.meter_key
group by meter_key.meter_id, banded.kind, banded.interval_min, banded.band
order by meter_key.meter_id, banded.kind, banded.interval_min, banded.band;
