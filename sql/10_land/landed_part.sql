-- landed_part: the lake partitions that the accepted reads of the file at hand fall into.
-- grain: one partition; key: filename.
-- units: amount_gal [gal] and covered_min [min], null for register readings; rows_doubtful
--   counts reads that share a slot of slot_us with another of their meter.
-- reads: accepted_read, variables amount_name and slot_us [us].
-- why: two reads of one meter and time share a slot, so where no slot is shared none is
--   repeated. A bit a slot, 64 to a group, tells that for a seventh of what telling every
--   time from every other costs.
create or replace temp table landed_part as
with accepted as (
    select
        filename,
        meter_id,
        begin_at,
        amount_gal,
        interval_min,
        epoch_us(begin_at) // getvariable('slot_us') as slot
    from accepted_read
),
grouped as (
    select
        filename,
        min(begin_at) as first_at,
        max(begin_at) as last_at,
        count(*) as rows_read,
        sum(amount_gal) as amount_gal,
        sum(interval_min::double) as covered_min,
        count(*) - bit_count(bit_or(1::ubigint << (slot % 64)::ubigint)) as rows_doubtful
    from accepted
    group by filename, meter_id, slot // 64
)
select
    filename,
    min(first_at) as first_at,
    max(last_at) as last_at,
    sum(rows_read)::bigint as rows_accepted,
    case when getvariable('amount_name') = 'volume' then sum(amount_gal) end as amount_gal,
    case when getvariable('amount_name') = 'volume' then sum(covered_min) end as covered_min,
    sum(rows_doubtful)::bigint as rows_doubtful
from grouped
group by filename
order by filename
