-- odd_read: whether any time stamp or amount in the current file is out of bounds.
-- grain: one row. units: none (two booleans, for the variables of these names).
-- reads: typed_read, variables earliest_at and latest_at.
-- why: minimum and maximum of a column are cheap, so in a clean file no single read needs to be
--   checked. NaN counts as the maximum.
select
    coalesce(
        min(stamp_at) < getvariable('earliest_at') or max(stamp_at) > getvariable('latest_at'),
        false
    ) as has_odd_stamp,
    coalesce(min(amount) < 0 or not isfinite(max(amount)), false) as has_odd_amount
from typed_read
