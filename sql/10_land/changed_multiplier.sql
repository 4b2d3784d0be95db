-- changed_multiplier: meters whose multiplier has changed since their reads were landed.
-- grain: one meter; key: meter_id. units: factors.
-- reads: ledger.landed_multiplier, known_meter (from meters.csv, by the caller), variable
--   bucket_count.
-- why: their reads must be landed again from the exports.
with landed as (from ledger.landed_multiplier),
known as (from known_meter)
select
    landed.meter_id,
    (md5_number_lower(landed.meter_id) % getvariable('bucket_count'))::integer as bucket
from landed
join known on known.meter_id = landed.meter_id
where known.multiplier <> landed.multiplier
order by landed.meter_id
