-- repeated_count: number of reads that repeat a meter and time.
-- grain: one partition that holds any; key: filename. units: reads beyond the first.
-- reads: accepted_read, shared_slot, variable slot_us.
-- why: as shared_slot.
with doubtful as (
    select
        filename,
        meter_id,
        begin_at
    from accepted_read
    semi join shared_slot
        on shared_slot.meter_hash = hash(accepted_read.meter_id)
        and shared_slot.block = (epoch_us(accepted_read.begin_at) // getvariable('slot_us')) >> 6
),
repeated as (
    select
        filename,
        count(*) - 1 as more
    from doubtful
    group by filename, meter_id, begin_at
    having count(*) > 1
)
select
    filename,
    sum(more)::bigint as rows_repeated
from repeated
group by filename
