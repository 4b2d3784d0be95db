-- grain: one full clock hour of one meter, all of it from shape reads; key: meter_key, hour_at
-- reads: current_read
-- why: 60-min means exist for hourly and for finer reads alike
-- units: flow_gpm [gal/min] mean of the hour
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
