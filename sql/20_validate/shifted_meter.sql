-- shifted_meter: meters for which two exports agree one interval apart, but not in place.
-- grain: one meter of one partition; key: meter_id.
-- units: shift_min [min], _share 0 to 1 of the intervals with registration in either export.
-- reads: the partition's lake files ($files), landing_export (each file's export, from the
--   caller).
-- why: an end stamp taken for a start, or a clock off by one interval, moves peaks to the wrong
--   hour and counts water twice where two exports overlap.
with located as (
    select
        read.meter_id,
        read.start_at,
        read.interval_min,
        read.registered_gal,
        read.quality,
        landing_export.export_name
    from read_parquet($files, filename = true, hive_partitioning = false) as read
    join landing_export on landing_export.file_hash = parse_filename(read.filename, true)
),
-- few meters are in two exports: all others are dropped before the comparison
shared as (
    select meter_id
    from located
    group by meter_id
    having min(export_name) <> max(export_name)
),
reads as (
    select
        located.meter_id,
        located.start_at,
        located.interval_min,
        located.export_name,
        max(located.registered_gal) as registered_gal
    from located
    semi join shared on located.meter_id = shared.meter_id
    where located.quality = 'measured' and located.registered_gal is not null
    group by all
),
moved_read as (
    select
        reads.*,
        steps.step,
        reads.start_at
            + to_microseconds((steps.step * reads.interval_min * 60e6)::bigint) as moved_at
    from reads
    cross join (values (-1), (0), (1)) as steps (step)
),
paired as (
    select
        first.meter_id,
        first.export_name as first_export,
        second.export_name as second_export,
        first.step,
        first.step * first.interval_min as shift_min,
        abs(first.registered_gal - second.registered_gal)
            <= 1e-3 * greatest(first.registered_gal, second.registered_gal) as is_agreed
    from moved_read as first
    join reads as second
        on second.meter_id = first.meter_id
        and second.start_at = first.moved_at
        and second.interval_min = first.interval_min
    where
        second.export_name > first.export_name
        and first.registered_gal + second.registered_gal > 0
),
agreed as (
    select
        meter_id,
        first_export,
        second_export,
        step,
        any_value(shift_min) as shift_min,
        count(*) as reads,
        avg(is_agreed::integer) as agree_share
    from paired
    group by meter_id, first_export, second_export, step
)
select
    moved.meter_id,
    moved.first_export,
    moved.second_export,
    moved.shift_min,
    moved.agree_share,
    coalesce(placed.agree_share, 0) as unshifted_agree_share,
    moved.reads
from agreed as moved
left join agreed as placed
    on placed.meter_id = moved.meter_id
    and placed.first_export = moved.first_export
    and placed.second_export = moved.second_export
    and placed.step = 0
where moved.step <> 0
    and moved.reads >= 24
    and moved.agree_share >= 0.9
    and coalesce(placed.agree_share, 0) <= 0.5
order by moved.meter_id
