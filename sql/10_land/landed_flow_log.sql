-- ledger.landed_flow_log: every landed file of a flow logger, with its balance.
-- grain: one landed log; key: file_hash (of the content and how it was read).
-- units: rows; _gal [gal]; step_s [s]; drift_s_per_day [s a day]; error_pct [%]; times UTC.
-- reads: nothing (written by the land stage when a log's samples lie in the lake).
-- why: a log listed here is completely landed; its samples are in lake/flow_log/<file_hash>.
--   account_id and meter_id are what the file says, not checked against the meter list.
create table if not exists ledger.landed_flow_log (
    file_hash varchar primary key,
    content_hash varchar not null,
    read_as varchar not null,
    path varchar not null,
    landed_at timestamptz not null,
    account_id varchar,
    meter_id varchar,
    measures varchar not null,
    step_s double not null,
    pulse_gal double,
    drift_s_per_day double not null,
    error_pct double not null,
    first_at timestamptz,
    last_at timestamptz,
    rows_landed bigint not null,
    rows_accepted bigint not null,
    rows_rejected bigint not null,
    rows_missing bigint not null,
    gal_landed double not null,
    gal_accepted double not null,
    gal_rejected double not null
)
