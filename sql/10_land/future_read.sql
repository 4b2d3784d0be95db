-- future_read: what the clock decided in the file at hand.
-- grain: one row. units: times as the stamps are judged (UTC, or the file's wall clock).
-- reads: typed_read, variables now_at and latest_at.
-- why: the first time that is refused as of the future, and the last of the future that is let
--   pass: another clock may say otherwise of either.
select
    min(stamp_at) filter (where stamp_at > getvariable('latest_at')) as refused_from_at,
    max(stamp_at) filter (
        where stamp_at > getvariable('now_at') and stamp_at <= getvariable('latest_at')
    ) as accepted_until_at
from typed_read
