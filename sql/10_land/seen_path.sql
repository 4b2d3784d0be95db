-- ledger.seen_path: paths whose content is known, by what the file system says of them.
-- grain: one row a key; key: path. units: bytes, modified_ns [ns since 1970].
-- reads: nothing (written by the land stage).
-- why: a nightly sweep with a year of files looks at them, and hashes none again.
create table if not exists ledger.seen_path (
    path varchar primary key,
    bytes ubigint not null,
    modified_ns hugeint not null,
    content_hash varchar not null
)
