-- grain: one local day of one meter with at least 20 full hours; key: meter_id, day_on
-- reads: meter_key, day_read
-- why: the least hour of each day dates a flow that no longer stops
-- units: least_gpm [gal/min] least 60-min average of the day; day_gpm [gal/min] daily average
create or replace temp table day_flow as
select
    meter_key.meter_id,
    day_read.day_on,
    day_read.least_gpm::float as least_gpm,
    day_read.day_gpm::float as day_gpm
from day_read
join meter_key on day_read.meter_key = meter_key.meter_key
order by meter_key.meter_id, day_read.day_on;
