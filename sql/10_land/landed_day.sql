-- landed_day: the days that the file at hand is about.
-- grain: one local day that holds at least half as many reads as the fullest; key: day.
-- units: covered_min [min] of reads, span_min [min] from the day's first read to its last.
-- reads: accepted_read, variable utc_offset_s [s].
-- why: a few late reads or one stray stamp must not stretch what the file covers.
create or replace temp table landed_day as
with accepted as (
    select
        begin_at,
        (epoch_us(begin_at) + getvariable('utc_offset_s')::bigint * 1000000) // 86400000000 as day,
        interval_min
    from accepted_read
),
daily as (
    select
        day,
        count(*) as reads,
        sum(interval_min::double) as covered_min,
        epoch(max(begin_at) - min(begin_at)) / 60.0 + min(interval_min) as span_min
    from accepted
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
