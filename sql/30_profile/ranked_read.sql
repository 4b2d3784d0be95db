-- grain: one landed interval read; key: file_hash, source_line
-- reads: landed_read
-- why: of several reads of one meter and start, the latest landed counts, and a read that
--      begins before an earlier-starting one has ended tells the same water twice; what does
--      not count is kept as superseded
-- units: registered_gal [gal], interval_min [min]
create or replace temp table ranked_read as
with ordered as (
    select
        landed_read.*,
        lag(start_at) over (
            partition by meter_id
            order by start_at, quality = 'missing', landed_seq desc, source_line desc
        ) as previous_start_at
    from landed_read
),

firsts as (
    select
        ordered.*,
        previous_start_at is distinct from start_at as is_first
    from ordered
),

followed as (
    select
        firsts.*,
        max(
            case
                when is_first and quality <> 'missing'
                then start_at + to_microseconds((interval_min * 60e6)::bigint)
            end
        ) over (
            partition by meter_id
            order by start_at, quality = 'missing', landed_seq desc, source_line desc
            rows between unbounded preceding and 1 preceding
        ) as busy_until_at
    from firsts
)

select
    meter_id,
    start_at,
    interval_min,
    registered_gal,
    quality,
    peak_register_gpm,
    file_hash,
    source_line,
    kind,
    is_first and coalesce(start_at >= busy_until_at or quality = 'missing', true) as is_current
from followed;
