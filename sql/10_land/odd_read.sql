-- odd_read: whether any time stamp, amount or peak in the current file is out of bounds; if no
--   stamp is, the first and the last.
-- grain: one row, for the variables of these names. units: none (booleans); stamps as typed_read.
-- reads: typed_read, variables earliest_at, latest_at and max_flow_gpm.
-- why: minimum and maximum of a column are cheap, so in a clean file no single read needs to be
--   checked. NaN counts as the maximum.
with bound as (
    select
        min(stamp_at) as first_at,
        max(stamp_at) as last_at,
        coalesce(
            min(stamp_at) < getvariable('earliest_at')
            or max(stamp_at) > getvariable('latest_at'),
            false
        ) as has_odd_stamp,
        coalesce(min(amount) < 0 or not isfinite(max(amount)), false) as has_odd_amount,
        coalesce(min(peak_gpm) < 0 or max(peak_gpm) > getvariable('max_flow_gpm'), false)
            as has_odd_peak
    from typed_read
)
select
    has_odd_stamp,
    has_odd_amount,
    has_odd_peak,
    case when not has_odd_stamp then first_at end as first_stamp_at,
    case when not has_odd_stamp then last_at end as last_stamp_at
from bound
