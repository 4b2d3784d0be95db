-- ledger.file_problem: files that the latest run could not land.
-- grain: one file; key: path. units: none; seen_at UTC.
-- reads: nothing (written by the land stage). why: skipped files are reported, not forgotten.
create table if not exists ledger.file_problem (
    path varchar primary key,
    code varchar not null,
    message varchar not null,
    seen_at timestamptz not null
)
