-- repeated_count: number of reads in one partition that repeat a meter and time.
-- grain: one row. units: reads beyond the first.
-- reads: accepted_read, variable part_file.
-- why: run only on partitions in which doubtful_part found a shared slot.
with repeated as (
    select count(*) - 1 as more
    from accepted_read
    where filename = getvariable('part_file')
    group by meter_id, begin_at
    having count(*) > 1
)
select coalesce(sum(more), 0)::bigint
from repeated
