-- grain: one time in which a register stood still and then leapt; key: meter_id, from_at
-- reads: landed_read
-- why: interval_from_register tells a stuck register by its leap; a person has to look at it
-- units: registered_gal [gal] that passed meanwhile, stuck_min [min]
create or replace temp table stuck_register as
select
    meter_id,
    start_at as from_at,
    interval_min as stuck_min,
    registered_gal
from landed_read
where quality = 'stuck'
order by meter_id, from_at;
