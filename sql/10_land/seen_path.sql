-- ledger.seen_path: known files, by path, size and modification time.
-- grain: one file; key: path. units: bytes, modified_ns [ns since 1970].
-- reads: nothing (written by the land stage).
-- why: a nightly sweep over a year of files does not hash unchanged files again.
create table if not exists ledger.seen_path (
    path varchar primary key,
    bytes ubigint not null,
    modified_ns hugeint not null,
    content_hash varchar not null
)
