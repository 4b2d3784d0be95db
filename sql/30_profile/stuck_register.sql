-- grain: one period of a stuck register, ending in a jump; key: meter_id, from_at
-- reads: landed_read
-- why: interval_from_register detects a stuck register from its jump; a person must check it
-- units: registered_gal [gal] of the period, stuck_min [min]
create or replace temp table stuck_register as
select
    meter_id,
    start_at as from_at,
    interval_min as stuck_min,
    registered_gal
from landed_read
where quality = 'stuck'
order by meter_id, from_at;
