-- ledger.sweep_run: every sweep that started, however it ended.
-- grain: one sweep; key: sweep_id. units: *_at (UTC, without zone).
-- reads: nothing (written when a sweep starts and when it ends).
-- why: monitoring needs the time of the last successful sweep. A row without finished_at whose
--      sweep no longer holds the workspace was killed.
create table if not exists ledger.sweep_run (
    sweep_id varchar primary key,
    kind varchar not null,
    host varchar not null,
    pid integer not null,
    started_at timestamp not null,
    finished_at timestamp,
    outcome varchar not null, -- running, published, unchanged, failed, stopped
    message varchar,
    is_partial boolean
)
