-- grain: one sweep, newest first; key: sweep_id
-- reads: ledger.sweep_run
-- why: the newest says whether the last sweep ended well, the newest that ended well says how
--      old the results' confirmation is
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
