-- grain: one shape read; key: meter_id, interval_min, start_at
-- reads: current_read
-- why: what is left of a read after its hour of the week in this month is taken off, and the
--      same of its next three neighbours: variance and covariance of draws, not of schedule
-- units: dev* [gpm]; dev1 to dev3 null where the neighbour is missing
create or replace temp table deviation as
with shaped as (
    select
        meter_id,
        interval_min,
        start_at,
        slot,
        flow_gpm,
        flow_gpm - avg(flow_gpm) over (partition by meter_id, interval_min, slot) as dev
    from current_read
    where is_shape
),

neighbours as (
    select
        meter_id,
        interval_min,
        start_at,
        slot,
        flow_gpm,
        dev,
        lead(dev, 1) over following as next1,
        lead(dev, 2) over following as next2,
        lead(dev, 3) over following as next3,
        epoch(lead(start_at, 1) over following - start_at) / 60 as gap1,
        epoch(lead(start_at, 2) over following - start_at) / 60 as gap2,
        epoch(lead(start_at, 3) over following - start_at) / 60 as gap3
    from shaped
    window following as (partition by meter_id, interval_min order by start_at)
)

select
    meter_id,
    interval_min,
    start_at,
    slot,
    flow_gpm,
    dev,
    case when gap1 = interval_min then next1 end as dev1,
    case when gap2 = 2 * interval_min then next2 end as dev2,
    case when gap3 = 3 * interval_min then next3 end as dev3
from neighbours;
