-- grain: one measured read; key: meter_key, interval_min, step
-- reads: current_read
-- why: deviation of a read, and of its next three neighbors, from the mean of its hour of the
--      week in this month: variance and covariance of use events, without the weekly pattern
-- units: mean_gpm [gpm] of the slot; dev* [gpm]; dev1 to dev3 null if the neighbor is
--        missing; step counts intervals
create or replace temp table deviation as
with shaped as (
    select
        meter_key,
        interval_min,
        slot,
        floor(epoch_us(start_at) / (interval_min * 60e6))::bigint as step,
        flow_gpm,
        avg(flow_gpm) over (partition by meter_key, interval_min, slot) as mean_gpm
    from current_read
    where is_shape
),

neighbors as (
    select
        meter_key,
        interval_min,
        slot,
        step,
        mean_gpm,
        flow_gpm - mean_gpm as dev,
        lead(flow_gpm - mean_gpm, 1) over following as next1,
        lead(flow_gpm - mean_gpm, 2) over following as next2,
        lead(flow_gpm - mean_gpm, 3) over following as next3,
        lead(step, 1) over following as step1,
        lead(step, 2) over following as step2,
        lead(step, 3) over following as step3
    from shaped
    window following as (partition by meter_key, interval_min order by step)
)

select
    meter_key,
    interval_min,
    slot,
    mean_gpm,
    dev,
    case when step1 = step + 1 then next1 end as dev1,
    case when step2 = step + 2 then next2 end as dev2,
    case when step3 = step + 3 then next3 end as dev3
from neighbors;
