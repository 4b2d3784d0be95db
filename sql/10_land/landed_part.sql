-- landed_part: the lake partitions that the accepted reads of the file at hand fall into.
-- grain: one row a key; key: month, bucket. units: amount_gal [gal] and covered_min [min], null
--   for register readings.
-- reads: placed_read. why: each partition is written by its own statement, in order.
create or replace temp table landed_part as
with placed as (from placed_read)
select
    month,
    bucket,
    count(*) as rows_accepted,
    count(distinct meter_key) as meters,
    case when getvariable('amount_name') = 'volume' then sum(amount_gal) end as amount_gal,
    case when getvariable('amount_name') = 'volume' then sum(interval_min::double) end
        as covered_min
from placed
where rule is null
group by month, bucket
order by month, bucket
