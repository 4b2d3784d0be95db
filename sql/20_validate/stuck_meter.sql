-- stuck_meter: meters with a register that was stuck and then jumped.
-- grain: one meter, at its longest stuck period, of several the first; key: meter_id.
-- units: from_at and until_at UTC; registered_gal [gal] of that period; stuck_days in total.
-- reads: the profiles' stuck registers ($stuck_files).
-- why: one finding per meter, however often it was stuck.
with stuck as (
    select
        meter_id,
        from_at,
        stuck_min,
        registered_gal
    from read_parquet($stuck_files, hive_partitioning = false)
),
longest as (
    select
        meter_id,
        arg_max(from_at, (stuck_min, -epoch_us(from_at))) as from_at,
        max(stuck_min) as stuck_min,
        arg_max(registered_gal, (stuck_min, -epoch_us(from_at))) as registered_gal,
        sum(stuck_min) / 1440 as stuck_days,
        count(*) as times
    from stuck
    group by meter_id
)
select
    meter_id,
    from_at,
    from_at + to_microseconds((stuck_min * 60e6)::bigint) as until_at,
    registered_gal,
    stuck_days,
    times
from longest
order by meter_id
