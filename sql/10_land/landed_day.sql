-- landed_day: the days that the current file covers.
-- grain: one local day with at least half as many reads as the fullest day; key: day.
-- units: covered_min [min] of reads, span_min [min] from the day's first read to its last.
-- reads: landed_part_day.
-- why: a few late reads or one wrong time stamp must not extend the period of the file.
create or replace temp table landed_day as
with part as (from landed_part_day),
daily as (
    select
        day,
        sum(rows_accepted)::bigint as reads,
        sum(covered_min order by filename) as covered_min,
        epoch(max(last_at) - min(first_at)) / 60.0 + min(least_min) as span_min
    from part
    group by day
)
select
    day,
    reads,
    covered_min,
    span_min
from daily
where reads >= 0.5 * (select max(reads) from daily)
order by day
