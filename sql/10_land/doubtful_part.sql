-- doubtful_part: the partitions in which two reads of a meter may share a slot of time.
-- grain: one partition; key: filename. units: slot_us [us].
-- reads: accepted_read, variable slot_us.
-- why: two reads of one meter and time share a slot, so where none is shared none is repeated.
--   A bit a slot, 64 to a block, tells that for a fifth of what telling every time from every
--   other costs; a meter stands for itself by its hash, which can raise doubt, never hide it.
--   Files are told apart only where there is doubt.
with slotted as not materialized (
    select
        filename,
        hash(meter_id) as meter_hash,
        epoch_us(begin_at) // getvariable('slot_us') as slot
    from accepted_read
),
shared as (
    select
        meter_hash,
        slot >> 6 as block
    from slotted
    group by meter_hash, slot >> 6
    having count(*) > bit_count(bit_or(1::ubigint << (slot & 63)::ubigint))
)
select distinct filename
from slotted
semi join shared
    on shared.meter_hash = slotted.meter_hash and shared.block = slotted.slot >> 6
