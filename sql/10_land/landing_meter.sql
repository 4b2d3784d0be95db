-- landing_meter: the meters in the current file, with bucket and multiplier.
-- grain: one meter in the file; key: meter_id.
-- units: multiplier is a factor on the file's volumes or readings; register_digits is the number
--   of register digits (308, in effect no limit, if unknown).
-- reads: read_meter (the distinct names in the file), known_meter (from meters.csv),
--   variables bucket_count, register_digits, the type meter_name.
-- why: hashing a name is slow, so it is done once per meter, not once per read. Names are an
--   enum, so that writing the lake's files does not compare names read by read.
create or replace temp table landing_meter as
with named as (from read_meter),
known as (from known_meter),
hashed as (
    select
        meter_id,
        (md5_number_lower(meter_id) % getvariable('bucket_count'))::usmallint as bucket
    from named
    where meter_id <> ''
)
select
    hashed.meter_id,
    hashed.meter_id::meter_name as meter_name,
    hashed.bucket,
    row_number() over (order by hashed.bucket, hashed.meter_id)::integer as meter_key,
    coalesce(known.multiplier, 1) as multiplier,
    coalesce(known.register_digits, getvariable('register_digits')) as register_digits,
    known.meter_id is not null as is_known
from hashed
left join known on known.meter_id = hashed.meter_id
order by meter_key
