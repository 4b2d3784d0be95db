-- odd_read: whether any stamp or amount of the file at hand lies outside the bounds for reads.
-- grain: one row. units: none (two truth values, for the variables of these names).
-- reads: typed_read, variables earliest_at and latest_at.
-- why: the least and the most of a column are known at once, so that in a clean file no read
--   need be held against the bounds. A number that is none counts as the most of all.
select
    coalesce(
        min(stamp_at) < getvariable('earliest_at') or max(stamp_at) > getvariable('latest_at'),
        false
    ) as has_odd_stamp,
    coalesce(min(amount) < 0 or not isfinite(max(amount)), false) as has_odd_amount
from typed_read
