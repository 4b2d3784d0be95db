-- odd_read: whether any time stamp, amount or peak in the current file is out of bounds.
-- grain: one row. units: none (booleans, for the variables of these names).
-- reads: typed_read, variables earliest_at, latest_at and max_flow_gpm.
-- why: minimum and maximum of a column are cheap, so in a clean file no single read needs to be
--   checked. NaN counts as the maximum.
select
    coalesce(
        min(stamp_at) < getvariable('earliest_at') or max(stamp_at) > getvariable('latest_at'),
        false
    ) as has_odd_stamp,
    coalesce(min(amount) < 0 or not isfinite(max(amount)), false) as has_odd_amount,
    coalesce(min(peak_gpm) < 0 or max(peak_gpm) > getvariable('max_flow_gpm'), false)
        as has_odd_peak
from typed_read
