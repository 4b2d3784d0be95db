-- doubtful_part: the partitions in which two reads of a meter share a slot of time.
-- grain: one partition; key: filename. units: slot_us [us].
-- reads: accepted_read, variable slot_us.
-- why: two reads of one meter and time share a slot, so where none is shared none is repeated.
--   A bit a slot, 64 to a group, tells that for a fifth of what telling every time from every
--   other costs; a meter stands for itself by its hash, which can raise doubt, never hide it.
with slotted as (
    select
        filename,
        hash(meter_id) as meter_hash,
        epoch_us(begin_at) // getvariable('slot_us') as slot
    from accepted_read
),
grouped as (
    select
        filename,
        count(*) - bit_count(bit_or(1::ubigint << (slot & 63)::ubigint)) as sharing
    from slotted
    group by filename, meter_hash, slot >> 6
)
select filename
from grouped
where sharing > 0
group by filename
