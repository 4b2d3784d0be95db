-- ledger.clock_bound: landed files of which the clock decided something.
-- grain: one landed file; key: file_hash.
-- units: times as the file's stamps are judged (UTC, or its wall clock), null where none.
-- reads: nothing (written by the land stage).
-- why: a clock that is put right, or goes on, must judge such a file again.
create table if not exists ledger.clock_bound (
    file_hash varchar primary key,
    refused_from_at timestamp,
    accepted_until_at timestamp
)
