-- folded_read: which occurrence of a repeated local hour a read belongs to.
-- grain: one read in such an hour; key: source_line. units: none.
-- reads: judged_read, the macro is_fold (local time).
-- why: the text is ambiguous; the order in the file is not. Of two reads of one meter and time
--   stamp, the first is the first occurrence (daylight saving time). A single read belongs to
--   the first, unless the meter's reads in this file start with it.
create or replace temp table folded_read as
with judged as (from judged_read),
folded as (
    select
        source_line,
        meter_id,
        stamp_at,
        row_number() over (partition by meter_id, stamp_at order by source_line) as passage,
        count(*) over (partition by meter_id, stamp_at) as repeats
    from judged
    where rule is null and not is_utc and is_fold(stamp_at)
),
outside as (
    select
        judged.meter_id,
        min(judged.stamp_at) as first_at
    from judged
    semi join folded on folded.meter_id = judged.meter_id
    where judged.rule is null and not judged.is_utc and not is_fold(judged.stamp_at)
    group by judged.meter_id
)
select
    folded.source_line,
    case
        when folded.repeats > 1 then folded.passage % 2 = 0
        else coalesce(outside.first_at > folded.stamp_at, false)
    end as is_second
from folded
left join outside on outside.meter_id = folded.meter_id
