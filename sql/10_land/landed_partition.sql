-- ledger.landed_partition: the lake partitions that each landing wrote, with totals.
-- grain: one partition of a landing; key: file_hash, kind, month, bucket.
-- units: amount_gal [gal].
-- reads: nothing (written by the land stage).
-- why: shows which months late reads reopen.
create table if not exists ledger.landed_partition (
    file_hash varchar not null,
    kind varchar not null,
    month varchar not null,
    bucket integer not null,
    rows_accepted bigint not null,
    amount_gal double,
    covered_min double,
    rows_repeated bigint not null
)
