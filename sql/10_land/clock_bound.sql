-- ledger.clock_bound: landed files with a future-time decision.
-- grain: one landed file; key: file_hash.
-- units: times as in the file's time stamps (UTC, or its local time), null if none.
-- reads: nothing (written by the land stage).
-- why: after a correction of the clock, or as time passes, such a file must be checked again.
create table if not exists ledger.clock_bound (
    file_hash varchar primary key,
    refused_from_at timestamp,
    accepted_until_at timestamp
)
