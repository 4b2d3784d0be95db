-- repeated_count: how many reads of one partition repeat a meter and time.
-- grain: one row. units: reads beyond the first.
-- reads: accepted_read, variable part_file.
-- why: asked only of partitions in which doubtful_part saw a slot shared.
with repeated as (
    select count(*) - 1 as more
    from accepted_read
    where filename = getvariable('part_file')
    group by meter_id, begin_at
    having count(*) > 1
)
select coalesce(sum(more), 0)::bigint
from repeated
