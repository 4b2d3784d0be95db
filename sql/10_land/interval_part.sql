-- interval_part: the accepted interval reads of one lake partition.
-- grain: one row a read. key: source_line (several reads of one meter and start may stand).
-- units: start_at UTC; interval_min [min]; registered_gal [gal]; peak_register_gpm [gpm].
-- reads: placed_read, variables part_month, part_bucket, landed_seq.
-- why: sorted by meter and time, so that one account's page reads little of the file.
select
    meter_id,
    timezone('UTC', begin_at) as start_at,
    interval_min,
    amount_gal as registered_gal,
    coalesce(quality, 'questionable') as quality,
    peak_register_gpm,
    getvariable('landed_seq')::integer as landed_seq,
    source_line,
    multiplier
from placed_read
where rule is null
    and bucket = getvariable('part_bucket')
    and month = getvariable('part_month')
order by meter_key, begin_at, source_line
