-- shared_slot: blocks of time in which two reads of a meter share a time slot.
-- grain: one block of 64 slots of one meter; key: meter_hash, block.
-- units: slot_us [us]; reads: count of the block.
-- reads: accepted_read, variable slot_us.
-- why: two reads of the same meter and time share a slot, so only reads of these blocks are
--   compared (repeated_count). One bit per slot, 64 slots per block, costs a fifth of comparing
--   all times. Meters are identified by a hash, which can cause a false alarm but never a miss.
create or replace temp table shared_slot as
with slotted as (
    select
        hash(meter_id) as meter_hash,
        epoch_us(begin_at) // getvariable('slot_us') as slot
    from accepted_read
)
select
    meter_hash,
    slot >> 6 as block,
    count(*) as reads
from slotted
group by meter_hash, slot >> 6
having count(*) > bit_count(bit_or(1::ubigint << (slot & 63)::ubigint))
