-- odd_read: whether any stamp, amount or peak of the file at hand lies outside the bounds.
-- grain: one row. units: none (truth values, for the variables of these names).
-- reads: typed_read, variables earliest_at, latest_at and max_flow_gpm.
-- why: the least and the most of a column are known at once, so that in a clean file no read
--   need be held against the bounds. A number that is none counts as the most of all.
select
    coalesce(
        min(stamp_at) < getvariable('earliest_at') or max(stamp_at) > getvariable('latest_at'),
        false
    ) as has_odd_stamp,
    coalesce(min(amount) < 0 or not isfinite(max(amount)), false) as has_odd_amount,
    coalesce(min(peak_gpm) < 0 or max(peak_gpm) > getvariable('max_flow_gpm'), false)
        as has_odd_peak
from typed_read
