-- grain: one current interval of one meter; key: meter_key, start_at
-- reads: keyed_read, superseded_read
-- why: local time, average flow and whether the read may be used for flow rates, in one place
-- units: flow_gpm [gal/min] average of the interval; slot = hour of the local week 0..167
create or replace temp table current_read as
with counted as (
    select *
    from keyed_read
    where quality <> 'missing' and read_key not in (select read_key from superseded_read)
),

localised as (
    select
        meter_key,
        start_at,
        timezone($timezone, start_at) as local_at,
        interval_min,
        registered_gal,
        registered_gal / interval_min as flow_gpm,
        quality in ('measured', 'edited') and registered_gal >= 0 as is_shape,
        quality in ('estimated', 'questionable') as is_estimated,
        quality in ('gap', 'stuck') as is_gap,
        peak_register_gpm
    from counted
)

select
    meter_key,
    start_at,
    local_at,
    interval_min,
    registered_gal,
    flow_gpm,
    is_shape,
    is_estimated,
    is_gap,
    peak_register_gpm,
    (isodow(local_at) - 1) * 24 + hour(local_at) as slot
from localised;
