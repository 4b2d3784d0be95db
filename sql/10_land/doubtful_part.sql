-- doubtful_part: partitions in which two reads of a meter may share a time slot.
-- grain: one partition; key: filename. units: slot_us [us].
-- reads: accepted_read, variable slot_us.
-- why: two reads of the same meter and time share a slot, so partitions without a shared slot
--   have no repeated reads. One bit per slot, 64 slots per block, costs a fifth of comparing
--   all times. Meters are identified by a hash, which can cause a false alarm but never a miss.
--   Only doubtful partitions are checked in full.
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
