-- landed_part: the lake partitions that the accepted reads of the file at hand fall into.
-- grain: one partition; key: filename.
-- units: amount_gal [gal] and covered_min [min], null for register readings; first_at and
--   last_at UTC.
-- reads: accepted_read, variables amount_name and now_at.
-- why: one pass over what was written tells all that the balance says of accepted reads.
create or replace temp table landed_part as
with accepted as (from accepted_read)
select
    filename,
    min(begin_at) as first_at,
    max(begin_at) as last_at,
    count(*) as rows_accepted,
    case when getvariable('amount_name') = 'volume' then sum(amount_gal) end as amount_gal,
    case when getvariable('amount_name') = 'volume' then sum(interval_min::double) end
        as covered_min,
    count(*) filter (where quality = 'measured') as rows_measured,
    count(*) filter (where quality = 'estimated') as rows_estimated,
    count(*) filter (where quality = 'missing') as rows_missing,
    count(*) filter (where quality = 'questionable') as rows_questionable,
    count(*) filter (where begin_at > getvariable('now_at')) as rows_future,
    count(*) filter (where amount_gal = 0) as rows_zero
from accepted
group by filename
order by filename
