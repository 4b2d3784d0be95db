-- register_lake: the accepted register readings of the current file, in the lake's format.
-- grain: one reading; key: source_line (a time may have several readings).
-- units: read_at UTC; reading_gal [gal], multiplier applied; peak_register_gpm [gpm];
--   gal_per_count [gal], volume of one count; dial_limit_gal [gal], where the register rolls
--   over, null if its digits are unknown.
-- reads: placed_read, the macro month_of and the variables bucket_count, landed_seq.
-- why: as interval_lake.
select
    (month_of(begin_at) * getvariable('bucket_count') + bucket)::integer as part,
    meter_name as meter_id,
    make_timestamptz(begin_us) as read_at,
    amount_gal as reading_gal,
    coalesce(quality, 'questionable'::quality_word) as quality,
    peak_register_gpm,
    getvariable('landed_seq')::integer as landed_seq,
    source_line,
    gal_per_count,
    dial_limit_gal
from placed_read
where rule is null
