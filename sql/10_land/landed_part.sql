-- landed_part: the lake partitions that the accepted reads of the file at hand fall into.
-- grain: one partition; key: month, bucket.
-- units: amount_gal [gal] and covered_min [min], null for register readings.
-- reads: accepted_read (accepted_interval or accepted_register), the macro month_of.
-- why: each partition is written by its own statement, in order.
create or replace temp table landed_part as
with accepted as (
    select
        bucket,
        begin_at,
        amount_gal,
        interval_min,
        meter_key = lag(meter_key) over () and begin_at = lag(begin_at) over () as is_repeated
    from accepted_read
)
select
    month_of(begin_at) as month,
    bucket,
    min(begin_at) as first_at,
    max(begin_at) as last_at,
    count(*) as rows_accepted,
    case when getvariable('amount_name') = 'volume' then sum(amount_gal) end as amount_gal,
    case when getvariable('amount_name') = 'volume' then sum(interval_min::double) end
        as covered_min,
    count(*) filter (where is_repeated) as rows_repeated
from accepted
group by month, bucket
order by month, bucket
