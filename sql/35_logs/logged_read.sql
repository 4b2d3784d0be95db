-- grain: one current interval of a logged meter; key: meter_id, start_s
-- reads: current_read, meter_key
-- why: what a log is held against: measured and edited reads, as they shape a profile
-- units: start_s, length_s [s] (start_s of the UTC epoch); registered_gal [gal]
select
    meter_key.meter_id,
    epoch(current_read.start_at) as start_s,
    current_read.interval_min * 60 as length_s,
    current_read.registered_gal
from current_read
join meter_key on current_read.meter_key = meter_key.meter_key
where current_read.is_shape and current_read.interval_min <= 1440
order by meter_key.meter_id, start_s
