-- grain: one landed interval read; key: read_key
-- reads: landed_read, meter_key
-- why: as meter_key; the lake's files are not sorted, but sums need a fixed order to be identical
--      to the byte however the reads were landed
-- units: registered_gal [gal], interval_min [min], peak_register_gpm [gal/min]
create or replace temp table keyed_read as
with ordered as (
    select
        meter_key.meter_key,
        landed_read.start_at,
        landed_read.interval_min,
        landed_read.registered_gal,
        landed_read.quality,
        landed_read.peak_register_gpm,
        landed_read.landed_seq,
        landed_read.source_line,
        landed_read.file_hash,
        landed_read.kind
    from landed_read
    join meter_key on landed_read.meter_id = meter_key.meter_id
    order by
        meter_key.meter_key,
        landed_read.start_at,
        landed_read.landed_seq,
        landed_read.source_line
)

select
    meter_key,
    start_at,
    interval_min,
    registered_gal,
    quality,
    peak_register_gpm,
    landed_seq,
    source_line,
    file_hash,
    kind,
    row_number() over () as read_key
from ordered;
