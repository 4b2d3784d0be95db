-- landing_meter: the meters of the file at hand, with bucket and multiplier.
-- grain: one row a meter named in the file. key: meter_id.
-- units: multiplier is a factor on the file's volumes; dial_limit_gal [gal] is where the
--   register turns over, null where the dials are not known.
-- reads: judged_read, known_meter (from meters.csv), variables bucket_count, register_digits.
-- why: the hash of a name is slow, so it is made once a meter, never once a read.
create or replace temp table landing_meter as
with judged as (from judged_read),
known as (from known_meter),
seen as (
    select distinct meter_id
    from judged
    where meter_id is not null and rule is distinct from 'repeated_header'
)
select
    seen.meter_id,
    (md5_number_lower(seen.meter_id) % getvariable('bucket_count'))::usmallint as bucket,
    row_number() over (
        order by md5_number_lower(seen.meter_id) % getvariable('bucket_count'), seen.meter_id
    )::integer as meter_key,
    coalesce(known.multiplier, 1) as multiplier,
    coalesce(known.register_digits, getvariable('register_digits')) as register_digits,
    known.meter_id is not null as is_known
from seen
left join known on known.meter_id = seen.meter_id
