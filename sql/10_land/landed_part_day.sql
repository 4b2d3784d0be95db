-- landed_part_day: totals of the current file's accepted reads, by partition and day.
-- grain: one local day of one partition; key: filename, day.
-- units: day counts from 1970; amount_gal [gal] and covered_min, least_min [min], null for
--   register readings; first_at and last_at UTC.
-- reads: accepted_read, variables amount_name, now_at and utc_offset_s [s].
-- why: one pass over the written files gives all totals of accepted reads: by partition
--   (landed_part), by day (landed_day), and for the balance. Summing booleans is half a second
--   faster than filters on 72 million reads.
create or replace temp table landed_part_day as
with accepted as (from accepted_read)
select
    filename,
    (epoch_us(begin_at) + getvariable('utc_offset_s')::bigint * 1000000) // 86400000000 as day,
    min(begin_at) as first_at,
    max(begin_at) as last_at,
    count(*) as rows_accepted,
    case when getvariable('amount_name') = 'volume' then sum(amount_gal) end as amount_gal,
    case when getvariable('amount_name') = 'volume' then sum(interval_min::double) end
        as covered_min,
    min(interval_min) as least_min,
    sum(quality = 'measured')::bigint as rows_measured,
    sum(quality = 'estimated')::bigint as rows_estimated,
    sum(quality = 'missing')::bigint as rows_missing,
    sum(quality = 'questionable')::bigint as rows_questionable,
    sum(begin_at > getvariable('now_at'))::bigint as rows_future,
    sum(amount_gal = 0)::bigint as rows_zero
from accepted
group by all
