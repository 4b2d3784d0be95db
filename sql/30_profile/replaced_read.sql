-- grain: one meter with an estimate in place of a measured or edited read;
--        key: meter_id
-- reads: keyed_read, superseded_read, ranked_reading, meter_key
-- why: an estimate in place of a read deserves a warning, whether due to `supersedes` or because
--      its interval starts before the read's
-- units: first_at and last_at UTC
create or replace temp table replaced_read as
with estimate as (
    select
        meter_key,
        start_at,
        start_at + to_microseconds((interval_min * 60e6)::bigint) as end_at
    from keyed_read
    where
        quality in ('estimated', 'questionable')
        and kind = 'interval'
        and read_key not in (select read_key from superseded_read)
),

lost as (
    select
        keyed_read.meter_key,
        keyed_read.start_at
    from keyed_read
    join superseded_read on keyed_read.read_key = superseded_read.read_key
    where keyed_read.quality in ('measured', 'edited') and keyed_read.kind = 'interval'
),

replaced as (
    select
        meter_key.meter_id,
        lost.start_at as read_at
    from lost
    join meter_key on lost.meter_key = meter_key.meter_key
    semi join estimate
        on lost.meter_key = estimate.meter_key
        and lost.start_at >= estimate.start_at
        and lost.start_at < estimate.end_at
    union all
    select
        lost_reading.meter_id,
        lost_reading.read_at
    from ranked_reading as lost_reading
    semi join ranked_reading as kept
        on lost_reading.meter_id = kept.meter_id
        and lost_reading.read_at = kept.read_at
        and kept.is_current
        and kept.quality in ('estimated', 'questionable')
    where
        not lost_reading.is_current
        and lost_reading.is_of_month
        and lost_reading.quality in ('measured', 'edited')
)

select
    meter_id,
    count(*) as read_count,
    min(read_at) as first_at,
    max(read_at) as last_at
from replaced
group by meter_id
order by meter_id;
