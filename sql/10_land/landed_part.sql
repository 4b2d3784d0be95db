-- landed_part: the lake partitions of the current file's accepted reads.
-- grain: one partition; key: filename.
-- units: amount_gal [gal] and covered_min [min], null for register readings; first_at and
--   last_at UTC.
-- reads: landed_part_day.
-- why: as landed_part_day.
create or replace temp table landed_part as
with daily as (from landed_part_day)
select
    filename,
    min(first_at) as first_at,
    max(last_at) as last_at,
    sum(rows_accepted)::bigint as rows_accepted,
    sum(amount_gal order by day) as amount_gal,
    sum(covered_min order by day) as covered_min,
    sum(rows_measured)::bigint as rows_measured,
    sum(rows_estimated)::bigint as rows_estimated,
    sum(rows_missing)::bigint as rows_missing,
    sum(rows_questionable)::bigint as rows_questionable,
    sum(rows_future)::bigint as rows_future,
    sum(rows_zero)::bigint as rows_zero
from daily
group by filename
order by filename
