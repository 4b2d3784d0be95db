-- future_read: future-time decisions in the current file.
-- grain: one row. units: times as in the time stamps (UTC, or the file's local time).
-- reads: typed_read, variables now_at and latest_at.
-- why: the first time rejected as in the future, and the last future time accepted: with
--   another clock either may differ.
select
    min(stamp_at) filter (where stamp_at > getvariable('latest_at')) as refused_from_at,
    max(stamp_at) filter (
        where stamp_at > getvariable('now_at') and stamp_at <= getvariable('latest_at')
    ) as accepted_until_at
from typed_read
