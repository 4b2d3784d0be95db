-- changed_scale: meters that the meter list scales otherwise than when their reads landed.
-- grain: one meter; key: meter_id. units: none.
-- reads: ledger.landed_multiplier, known_meter (from meters.csv, by the caller), variable
--   bucket_count.
-- why: their reads must be made and judged again from the exports. Dials say something of
--   register readings only; a multiplier of all amounts.
with landed as (from ledger.landed_multiplier),
known as (from known_meter)
select
    landed.meter_id,
    (md5_number_lower(landed.meter_id) % getvariable('bucket_count'))::integer as bucket,
    known.multiplier <> landed.multiplier as is_multiplier
from landed
join known on known.meter_id = landed.meter_id
where known.multiplier <> landed.multiplier
    or known.register_digits is distinct from landed.register_digits
order by landed.meter_id
