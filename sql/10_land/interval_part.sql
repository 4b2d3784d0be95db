-- interval_part: the accepted interval reads of one lake partition.
-- grain: one read; key: source_line (several reads of one meter and start may stand).
-- units: start_at UTC; interval_min [min]; registered_gal [gal]; peak_register_gpm [gpm].
-- reads: accepted_interval, landing_meter, variables part_bucket, part_from_at, part_to_at and
--   landed_seq.
-- why: sorted by meter and time, so that one account's page reads little of the file.
select
    landing_meter.meter_id,
    make_timestamptz(epoch_us(accepted_interval.begin_at)) as start_at,
    accepted_interval.interval_min,
    accepted_interval.amount_gal as registered_gal,
    coalesce(accepted_interval.quality, 'questionable') as quality,
    accepted_interval.peak_register_gpm,
    getvariable('landed_seq')::integer as landed_seq,
    accepted_interval.source_line
from accepted_interval
join landing_meter on landing_meter.meter_key = accepted_interval.meter_key
where accepted_interval.bucket = getvariable('part_bucket')
    and accepted_interval.begin_at between getvariable('part_from_at') and getvariable('part_to_at')
