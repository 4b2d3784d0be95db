-- may_repeat: whether any two accepted reads of the file at hand may be of one meter and time.
-- grain: one row. units: none.
-- reads: accepted_read and the variable slot_us.
-- why: as doubtful_part, without telling files apart: in most exports no read repeats, and
--   that is seen sooner.
select coalesce(bool_or(sharing > 0), false) as may_repeat
from (
    select
        count(*) - bit_count(bit_or(1::ubigint << (slot & 63)::ubigint)) as sharing
    from (
        select
            hash(meter_id) as meter_hash,
            epoch_us(begin_at) // getvariable('slot_us') as slot
        from accepted_read
    )
    group by meter_hash, slot >> 6
)
