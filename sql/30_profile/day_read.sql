-- grain: one local day of one meter with at least 20 full hours; key: meter_key, day_on
-- reads: hour_read
-- why: day-to-day differences (season, weather, occupancy) are not use events; the minimum night
--      hour shows continuous flow
-- units: day_gpm [gal/min] daily average; least_gpm minimum 60-min average; night_gpm
--        that from 0 to 6 h
create or replace temp table day_read as
select
    meter_key,
    local_at::date as day_on,
    isodow(local_at::date) >= 6 as is_weekend,
    avg(flow_gpm) as day_gpm,
    count(*) as hour_count,
    min(flow_gpm) as least_gpm,
    min(flow_gpm) filter (where hour(local_at) < 6) as night_gpm
from hour_read
group by meter_key, day_on, is_weekend
having count(*) >= 20;
