-- grain: one full clock hour of one meter, measured reads only; key: meter_key, hour_at
-- reads: current_read
-- why: 60-min averages exist for hourly and for shorter intervals
-- units: flow_gpm [gal/min] hourly average
create or replace temp table hour_read as
select
    meter_key,
    time_bucket(interval 1 hour, start_at) as hour_at,
    min(local_at) as local_at,
    sum(registered_gal) / 60 as flow_gpm
from current_read
where is_shape and interval_min <= 60
group by meter_key, hour_at
having abs(sum(interval_min) - 60) < 1e-3;
