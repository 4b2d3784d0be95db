-- register_part: the accepted register readings of one lake partition.
-- grain: one reading; key: source_line (several readings of one time may stand).
-- units: read_at UTC; reading_gal [gal], multiplier applied; peak_register_gpm [gpm];
--   gal_per_count [gal], what one count stands for; dial_limit_gal [gal], where the register
--   turns over, null where its dials are not known.
-- reads: accepted_register, landing_meter, variables part_bucket, part_from_at, part_to_at,
--   landed_seq.
-- why: sorted by meter and time, so that differences run along the file.
select
    landing_meter.meter_id,
    make_timestamptz(epoch_us(accepted_register.begin_at)) as read_at,
    accepted_register.amount_gal as reading_gal,
    coalesce(accepted_register.quality, 'questionable') as quality,
    accepted_register.peak_register_gpm,
    getvariable('landed_seq')::integer as landed_seq,
    accepted_register.source_line,
    accepted_register.gal_per_count,
    accepted_register.dial_limit_gal
from accepted_register
join landing_meter on landing_meter.meter_key = accepted_register.meter_key
where accepted_register.bucket = getvariable('part_bucket')
    and accepted_register.begin_at between getvariable('part_from_at') and getvariable('part_to_at')
