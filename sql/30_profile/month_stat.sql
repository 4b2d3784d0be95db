-- grain: one meter, month and read interval; key: meter_id, interval_min
-- reads: meter_key, current_read, deviation, hour_read, day_read, register_step
-- why: the sums that the inference needs; they add up over months (maxima: the greatest). The
--      time of gaps is not covered by reads: days_covered is without it, registered_gal has
--      its volume
-- units: in the names; *_ss [gpm2]; gap_days [d] of gaps whose volume is known; elapsed_days
--      [d] of the local month at its last read
create or replace temp table month_stat as
with volume as (
    select
        meter_key,
        interval_min,
        coalesce(sum(interval_min) filter (where not is_gap), 0) / 1440 as days_covered,
        coalesce(sum(interval_min) filter (where is_gap), 0) / 1440 as gap_days,
        count(*) as read_count,
        count(*) filter (where is_shape) as shape_count,
        count(*) filter (where is_estimated) as estimated_count,
        sum(registered_gal) as registered_gal,
        sum(registered_gal) filter (where is_estimated) as estimated_gal,
        sum(registered_gal) filter (where registered_gal < 0) as backward_gal,
        sum(registered_gal) filter (where is_gap) as gap_gal,
        count(*) filter (where is_shape and registered_gal = 0) as zero_count,
        max(flow_gpm) filter (where is_shape) as max_interval_gpm,
        max(peak_register_gpm) as peak_register_gpm,
        min(start_at) as first_at,
        min(local_at)::date as first_on,
        max(local_at)::date as last_on,
        max(start_at) as last_at,
        least(
            epoch(max(local_at) - date_trunc('month', max(local_at))) / 86400
            + max(interval_min) / 1440,
            day(last_day(max(local_at)))
        ) as elapsed_days,
        max(start_at) filter (where registered_gal > 0) as last_use_at
    from current_read
    group by meter_key, interval_min
),

slots as (
    select
        meter_key,
        interval_min,
        slot,
        count(*) - 1 as dof,
        any_value(mean_gpm) as mean_gpm,
        sum(dev * dev) as ss,
        sum(dev * dev1) as ss1,
        sum(dev * dev2) as ss2,
        sum(dev * dev3) as ss3,
        count(dev1) as count1,
        count(dev2) as count2,
        count(dev3) as count3
    from deviation
    group by meter_key, interval_min, slot
),

neighbour_slots as (
    select
        slots.*,
        lead(mean_gpm) over (
            partition by meter_key, interval_min order by slot
        ) as next_gpm
    from slots
),

within as (
    select
        meter_key,
        interval_min,
        sum(ss) as within_ss,
        sum(dof) as within_dof,
        sum(dof * mean_gpm) as within_mean_sum,
        sum(ss1) as lag1_ss,
        sum(ss2) as lag2_ss,
        sum(ss3) as lag3_ss,
        sum(count1) as lag1_count,
        sum(count2) as lag2_count,
        sum(count3) as lag3_count,
        -- how steep the hours of the week are: what swings between days add to a difference
        -- of neighbours
        sum((dof + 1) * mean_gpm * mean_gpm) as slot_ss,
        sum((dof + 1) * (mean_gpm - next_gpm) * (mean_gpm - next_gpm)) / 2 as slot_step_ss
    from neighbour_slots
    group by meter_key, interval_min
),

hours as (
    select
        meter_key,
        max(flow_gpm) as max_hour_gpm
    from hour_read
    group by meter_key
),

day_groups as (
    select
        meter_key,
        is_weekend,
        count(*) as day_count,
        var_pop(day_gpm) * count(*) as ss,
        max(day_gpm) as max_day_gpm,
        count(*) filter (where night_gpm = 0) as night_zero_count
    from day_read
    group by meter_key, is_weekend
),

days as (
    select
        meter_key,
        sum(ss) as day_ss,
        sum(day_count - 1) as day_dof,
        sum(day_count) as day_count,
        max(max_day_gpm) as max_day_gpm,
        sum(night_zero_count) as night_zero_count
    from day_groups
    group by meter_key
),

-- reads longer than an hour show no hour, but a day that they fill
long_days as (
    select
        meter_key,
        local_at::date as day_on,
        sum(registered_gal) / sum(interval_min) as day_gpm
    from current_read
    where is_shape and interval_min > 60
    group by meter_key, day_on
    having sum(interval_min) between 20 * 60 and 25 * 60
),

largest_long_day as (
    select meter_key, max(day_gpm) as max_day_gpm from long_days group by meter_key
),

-- statistics of hours and days belong to a meter, not to an interval: the finest carries them
finest as (
    select meter_key, min(interval_min) as interval_min from volume group by meter_key
)

select
    meter_key.meter_id,
    volume.interval_min,
    volume.days_covered,
    volume.gap_days,
    volume.read_count,
    volume.shape_count,
    volume.estimated_count,
    volume.registered_gal,
    coalesce(volume.estimated_gal, 0) as estimated_gal,
    coalesce(volume.backward_gal, 0) as backward_gal,
    coalesce(volume.gap_gal, 0) as gap_gal,
    volume.zero_count,
    volume.max_interval_gpm,
    volume.peak_register_gpm,
    volume.first_at,
    volume.first_on,
    volume.last_on,
    volume.last_at,
    volume.elapsed_days,
    volume.last_use_at,
    within.within_ss,
    within.within_dof,
    within.within_mean_sum,
    within.lag1_ss,
    within.lag2_ss,
    within.lag3_ss,
    within.lag1_count,
    within.lag2_count,
    within.lag3_count,
    within.slot_ss,
    within.slot_step_ss,
    hours.max_hour_gpm,
    greatest(days.max_day_gpm, largest_long_day.max_day_gpm) as max_day_gpm,
    days.day_ss,
    days.day_dof,
    days.day_count,
    days.night_zero_count,
    register_step.step_gal
from volume
join meter_key on volume.meter_key = meter_key.meter_key
left join within
    on volume.meter_key = within.meter_key and volume.interval_min = within.interval_min
left join finest
    on volume.meter_key = finest.meter_key and volume.interval_min = finest.interval_min
left join hours on finest.meter_key = hours.meter_key
left join days on finest.meter_key = days.meter_key
left join largest_long_day on finest.meter_key = largest_long_day.meter_key
left join register_step on finest.meter_key = register_step.meter_key
order by meter_key.meter_id, volume.interval_min;
