-- accepted_interval: the interval reads of the file at hand that no rule refuses.
-- grain: one read; key: source_line (layout wide: and begin_at).
-- units: as placed_read; quality null where the export's code is not known.
-- reads: placed_read.
-- why: sorted once, so that each partition is one stretch of it. Sorted by number, not
--   by name: a meter's name is put back when its partition is written.
create or replace temp table accepted_interval as
select
    meter_key,
    bucket,
    begin_at,
    interval_min,
    amount_gal,
    quality,
    peak_register_gpm,
    source_line
from placed_read
where rule is null
order by meter_key, begin_at, source_line
