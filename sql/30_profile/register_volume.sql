-- grain: one volume of one meter's measured reads; key: meter_key, gal
-- reads: current_read
-- why: a register counts in steps, so few volumes differ; register_step finds the step in them.
--      Rounding of a volume is not a step
-- units: gal [gal]
create or replace temp table register_volume as
select
    meter_key,
    round(registered_gal, 6) as gal,
    count(*) as read_count
from current_read
where is_shape and registered_gal >= 1e-6
group by all;
