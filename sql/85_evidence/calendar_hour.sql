-- grain: one local day and clock hour of one meter; key: meter_id, day_on, hour_of_day
-- reads: hour_read, meter_key
-- why: calendar of a year; the repeated hour in fall is averaged
-- units: flow_gpm [gal/min] average registered flow of the hour
create or replace temp table calendar_hour as
select
    meter_key.meter_id,
    hour_read.local_at::date as day_on,
    hour(hour_read.local_at) as hour_of_day,
    avg(hour_read.flow_gpm) as flow_gpm
from hour_read
join meter_key on hour_read.meter_key = meter_key.meter_key
group by meter_key.meter_id, hour_read.local_at::date, hour(hour_read.local_at)
order by meter_key.meter_id, day_on, hour_of_day;
