-- grain: one sweep, newest first; key: sweep_id
-- reads: ledger.sweep_run
-- why: the newest run shows whether the last sweep succeeded, the newest successful run how old
--      the results are
-- units: *_at (UTC, without zone)
select
    sweep_id,
    kind,
    host,
    pid,
    started_at,
    finished_at,
    outcome,
    message,
    is_partial
from ledger.sweep_run
order by sweep_id desc
limit 50
