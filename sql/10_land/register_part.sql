-- register_part: the accepted register readings of one lake partition.
-- grain: one row a reading. key: source_line (several readings of one time may stand).
-- units: read_at UTC; reading_gal [gal], multiplier applied; dial_limit_gal [gal], where the
--   register turns over, null where its dials are not known; gal_per_count [gal], one
--   count of the reading; peak_register_gpm [gpm].
-- reads: placed_read, variables part_month, part_bucket, landed_seq.
-- why: sorted by meter and time, so that differences run along the file.
select
    meter_id,
    timezone('UTC', begin_at) as read_at,
    amount_gal as reading_gal,
    coalesce(quality, 'questionable') as quality,
    peak_register_gpm,
    getvariable('landed_seq')::integer as landed_seq,
    source_line,
    multiplier,
    dial_limit_gal,
    gal_per_count
from placed_read
where rule is null
    and bucket = getvariable('part_bucket')
    and month = getvariable('part_month')
order by meter_key, begin_at, source_line
