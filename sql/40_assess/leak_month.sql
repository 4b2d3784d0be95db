-- grain: one meter with a leak to leave out, month used and read interval; key: meter_id, month,
--      interval_min
-- reads: bucket_month, meter_month, meter_stat, leak_frame (registered by the
--      caller)
-- why: the leak is taken off month by month, from the day it began
-- units: in the names; year_gal [gal] the year's volume with the leak; weight [1] of the month
create or replace temp table leak_month as
select
    stat.meter_id,
    stat.month,
    stat.interval_min,
    stat.interval_min = meter_stat.interval_min as is_main,
    meter_month.weight,
    leak_frame.leak_gpm,
    leak_frame.leak_from_on,
    meter_stat.registered_gal as year_gal,
    stat.days_covered,
    stat.shape_count,
    stat.within_ss,
    stat.lag1_ss,
    stat.lag2_ss,
    stat.lag3_ss,
    stat.lag1_count,
    stat.lag2_count,
    stat.lag3_count,
    stat.slot_ss,
    stat.day_ss,
    stat.day_count,
    stat.max_interval_gpm,
    stat.max_hour_gpm,
    stat.max_day_gpm,
    stat.peak_register_gpm
from bucket_month as stat
join leak_frame on stat.meter_id = leak_frame.meter_id
join meter_month
    on stat.meter_id = meter_month.meter_id and stat.month = meter_month.month
join meter_stat on stat.meter_id = meter_stat.meter_id
order by stat.meter_id, stat.month, stat.interval_min;
